static volatile uint32_t in;
void irq60_handler(void)
{
    CPSID_F();
    in=MRS("faultmask");
    pend_irq(61);
    DSB();
    ISB();
    mark('0');
}
void irq61_handler(void)
{
    mark('1');
}
void scenario(void)
{
    enable_irq(60, 0x40);
    enable_irq(61, 0x20);
    pend_irq(60);
    DSB();
    ISB();
    mark('t');
    show("in", in);
    show("out", MRS("faultmask"));
    show_trace();
}
