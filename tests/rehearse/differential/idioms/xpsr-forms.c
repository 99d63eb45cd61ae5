void irq60_handler(void)
{
    show("x", MRS("xpsr")&0x1FF);
    show("ie", MRS("iepsr"));
    show("e", MRS("epsr"));
    show("ia", MRS("iapsr")&0x1FF);
}
void scenario(void)
{
    enable_irq(60, 0);
    pend_irq(60);
    DSB();
    ISB();
    show("x", MRS("xpsr")&0x01FFFFFF);
    MSR("apsr_nzcvq", 0xF8000000);
    show("n", MRS("apsr")>>27);
}
