void irq60_handler(void)
{
    mark('0');
    CPSID();
}
void irq61_handler(void)
{
    mark('1');
    MSR("basepri", 0x60);
}
void irq62_handler(void)
{
    mark('2');
}
void scenario(void)
{
    enable_irq(60, 0x40);
    enable_irq(61, 0x40);
    enable_irq(62, 0x80);
    pend_irq(60);
    DSB();
    ISB();
    mark('a');
    show("pm", MRS("primask"));
    pend_irq(62);
    DSB();
    ISB();
    mark('b');
    CPSIE();
    ISB();
    mark('c');
    pend_irq(61);
    DSB();
    ISB();
    show("bp", MRS("basepri"));
    pend_irq(62);
    DSB();
    ISB();
    mark('d');
    MSR("basepri", 0);
    ISB();
    mark('e');
    show_trace();
}
