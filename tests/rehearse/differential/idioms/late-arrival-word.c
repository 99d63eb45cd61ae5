static volatile uint32_t seq, at[6], preempted;
void irq60_handler(void)
{
    at[0] = ++seq;
    preempted += (NVIC_IABR(1) >> 29)&1;
    mark('l');
}
void irq61_handler(void)
{
    at[1] = ++seq;
    preempted += 16*((NVIC_IABR(1) >> 28)&1);
    mark('h');
    NVIC_ISPR(1) = 3u << 30;
    DSB();
    ISB();
    mark('x');
}
void irq62_handler(void)
{
    at[2] = ++seq;
    mark('2');
}
void irq63_handler(void)
{
    at[3] = ++seq;
    mark('3');
    NVIC_ICPR(1) = 1u << 30;
}
void scenario(void)
{
    enable_irq(60, 0xC0);
    enable_irq(61, 0x40);
    enable_irq(62, 0x80);
    enable_irq(63, 0x20);
    NVIC_ISPR(1) = 3u << 28;
    DSB();
    ISB();
    mark('t');
    show_trace();
    for (int i=0;i<4;i++) show("at", at[i]);
    show("pre", preempted);
}
