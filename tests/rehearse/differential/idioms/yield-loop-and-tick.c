static volatile uint32_t t;
void systick_handler(void)
{
    t++;
}
void scenario(void)
{
    start_tick(1000);
    while (t < 50) {
        __asm volatile("yield");
    }
    stop_tick();
    say("ok");
}
