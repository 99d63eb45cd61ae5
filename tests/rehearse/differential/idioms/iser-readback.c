void scenario(void)
{
    NVIC_ISER(1) = 0xFFFFFFFF;
    show("e", NVIC_ISER(1));
    NVIC_ICER(1) = 0x0F0F0F0F;
    show("e", NVIC_ICER(1));
    NVIC_ISER(1) = 0;
    show("e", NVIC_ISER(1));
    NVIC_ICER(1) = 0xFFFFFFFF;
    NVIC_ISPR(2) = 0xF;
    show("p", NVIC_ICPR(2));
    NVIC_ICPR(2) = 5;
    show("p", NVIC_ISPR(2));
    NVIC_ICPR(2) = 0xF;
    show("x", NVIC_ISER(3));
    NVIC_ISER(4) = 1;
    show("x", NVIC_ISER(4));
}
