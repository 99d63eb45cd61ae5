void irq60_handler(void)
{
    mark('h');
}
void scenario(void)
{
    enable_irq(60, 0x40);
    MSR("basepri", 0x41);
    show("bp", MRS("basepri"));
    pend_irq(60);
    DSB();
    ISB();
    mark('a');
    MSR("basepri_max", 0);
    show("bp", MRS("basepri"));
    MSR("basepri", 0);
    ISB();
    mark('b');
    show_trace();
}
