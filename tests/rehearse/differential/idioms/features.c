void scenario(void)
{
    for(uint32_t a=0xE000ED40;a<0xE000ED88;a+=4) show("f", REG(a));
    show("fpccr", FPCCR);
    for(uint32_t a=0xE000EF40;a<0xE000EF4C;a+=4) show("m", REG(a));
    REG(0xE000ED40) = 0;
    show("f", REG(0xE000ED40));
    CCR = 0;
    show("c", CCR);
    CCR = 0xFFFFFFFF;
    show("c", CCR&0x31B);
}
