static volatile uint32_t c0, c1, c2, h;
void irq60_handler(void)
{
    h = MRS("control");
}
void scenario(void)
{
    CPACR |= 0xF << 20;
    DSB();
    ISB();
    enable_irq(60, 0x40);
    FPCCR &= ~0xC0000000u;
    DSB();
    ISB();
    __asm volatile("vmov s1,%0" :  : "r"(1));
    c0 = MRS("control");
    pend_irq(60);
    DSB();
    ISB();
    uint32_t r;
    __asm volatile("vmov %0,s1" : "=r"(r));
    c1 = MRS("control");
    FPCCR |= 0x80000000u;
    DSB();
    ISB();
    __asm volatile("vmov s1,%0" :  : "r"(2));
    c2 = MRS("control");
    pend_irq(60);
    DSB();
    ISB();
    show("c", c0);
    show("c", c1);
    show("c", c2);
    show("h", h);
    show("r", r);
    show("fpccr", FPCCR&0xC0000000u);
    show("c", MRS("control"));
}
