void irq60_handler(void)
{
    show("h60", ICSR&0x1FF);
    pend_irq(61);
    show("p", ICSR);
}
void irq61_handler(void)
{
    show("h61", ICSR&~0x00400000u);
}
void irq62_handler(void)
{
    pend_irq(63);
    DSB();
    ISB();
    show("62", ICSR);
}
void irq63_handler(void)
{
    show("63", ICSR);
    show("shcsr", SHCSR);
    show("iabr", NVIC_IABR(1));
}
void scenario(void)
{
    enable_irq(60, 0x40);
    enable_irq(61, 0x40);
    enable_irq(62, 0x80);
    enable_irq(63, 0x20);
    pend_irq(60);
    DSB();
    ISB();
    pend_irq(62);
    DSB();
    ISB();
    CPSID();
    pend_irq(60);
    ICSR = ICSR_PENDSV_SET|ICSR_SYSTICK_SET;
    show("m", ICSR);
    ICSR = ICSR_PENDSV_CLEAR|ICSR_SYSTICK_CLEAR;
    show("m", ICSR);
    NVIC_ICPR(1) = 1u << 28;
    show("m", ICSR);
    CPSIE();
}
