void irq60_handler(void)
{
    mark('0');
    pend_irq(61);
    DSB();
    ISB();
    mark('a');
    NVIC_IPR(60) = 0xE0;
    DSB();
    ISB();
    mark('b');
}
void irq61_handler(void)
{
    mark('1');
}
void scenario(void)
{
    enable_irq(60, 0x20);
    enable_irq(61, 0x60);
    pend_irq(60);
    DSB();
    ISB();
    mark('t');
    show_trace();
}
