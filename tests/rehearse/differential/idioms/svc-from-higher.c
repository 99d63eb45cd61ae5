void svc_handler(void)
{
    mark('s');
    show("ipsr", MRS("ipsr"));
}
void irq60_handler(void)
{
    mark('0');
    SVC(3);
    mark('1');
}
void scenario(void)
{
    SHPR(11) = 0x20;
    enable_irq(60, 0x80);
    pend_irq(60);
    DSB();
    ISB();
    mark('t');
    CPSID();
    CPSIE();
    SVC(0);
    show_trace();
}
