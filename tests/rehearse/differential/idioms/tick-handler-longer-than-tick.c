static volatile uint32_t n;
void systick_handler(void)
{
    n++;
    spend(100);
}
void scenario(void)
{
    start_tick(150);
    for (;;) {
        n = 0;
    }
}
