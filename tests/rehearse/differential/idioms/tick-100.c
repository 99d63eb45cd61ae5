static volatile uint32_t t;
void systick_handler(void)
{
    t++;
}
void scenario(void)
{
    uint32_t x = 1;
    start_tick(100-1);
    for (uint32_t i = 0; i < 3000; i++) x = x*1664525u + 1013904223u;
    while (t < 20) {
    }
    stop_tick();
    show("x", x);
}
