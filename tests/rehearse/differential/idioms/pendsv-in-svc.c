void svc_handler(void)
{
    mark('s');
    ICSR = ICSR_PENDSV_SET;
    DSB();
    ISB();
    mark('S');
}
void pendsv_handler(void)
{
    mark('p');
}
void scenario(void)
{
    SHPR(14) = 0xFF;
    for (int i = 0; i < 4; i++) {
        SVC(0);
        mark('t');
    }
    SHPR(11) = 0xFF;
    SHPR(14) = 0x10;
    SVC(0);
    mark('T');
    show_trace();
}
