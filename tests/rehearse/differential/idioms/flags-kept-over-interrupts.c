static volatile uint32_t ticks;
void systick_handler(void)
{
    ticks++;
    __asm volatile("movs r0,#0\n subs r0,#1\n":::"r0", "cc");
}
void scenario(void)
{
    uint32_t bad = 0;
    start_tick(131);
    for (uint32_t i = 0; i < 20000; i++) {
        uint32_t x = i^0x55;
        __asm volatile(
            "cmp %1,%1\n nop\n nop\n nop\n nop\n it ne\n addne %0,#1\n"
            :"+r"(bad):"r"(x):"cc");
    }
    stop_tick();
    show("bad", bad);
}
