void nmi_handler(void)
{
    mark('n');
    show("ipsr", MRS("ipsr"));
    show("fm", MRS("faultmask"));
}
void scenario(void)
{
    CPSID();
    CPSID_F();
    mark('a');
    ICSR = ICSR_NMI_SET;
    DSB();
    ISB();
    mark('b');
    show("fm", MRS("faultmask"));
    CPSIE_F();
    CPSIE();
    show_trace();
}
