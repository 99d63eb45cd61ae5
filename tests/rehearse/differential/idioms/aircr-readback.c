void scenario(void)
{
    show("a", AIRCR);
    AIRCR = 0x05FA0300;
    show("a", AIRCR);
    AIRCR = 0x12340500;
    show("a", AIRCR);
    AIRCR = 0x05FA0000;
    show("a", AIRCR);
}
