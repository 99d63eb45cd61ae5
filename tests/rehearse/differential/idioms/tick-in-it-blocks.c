static volatile uint32_t ticks;
void systick_handler(void)
{
    ticks++;
    __asm volatile("cmp r0,r0\n it ne\n movne r1,#9\n":::"r1", "cc");
}
void scenario(void)
{
    uint32_t a = 0, b = 0;
    start_tick(163);
    for (uint32_t i = 0; i < 20000; i++) {
        __asm volatile(
            "tst %2,#1\n itete eq\n addeq %0,#1\n addne %1,#1\n addeq %0,#2\n addne %1,#2\n"
            : "+r"(a),"+r"(b) : "r"(i) : "cc");
    }
    stop_tick();
    show("a", a);
    show("b", b);
    if (!ticks) default_handler();
}
