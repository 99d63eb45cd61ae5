#define IPRW(n) REG(0xE000E400+4*(n))
#define SHPRW(n) REG(0xE000ED18+4*(n))
void scenario(void)
{
    IPRW(15) = 0x80604020;
    show("b", NVIC_IPR(61));
    NVIC_IPR(62) = 0xFF;
    show("w", IPRW(15));
    REG16(0xE000E43C) = 0x1122;
    show("w", IPRW(15));
    SHPRW(2) = 0xE0000000;
    SHPRW(1) |= 0xA0u << 16;
    show("11", SHPR(11));
    show("14", SHPR(14));
    SHPRW(2) |= 0xF0F00000u;
    show("w", SHPRW(2));
    show("s", SHPRW(0));
    show("s", SHPRW(1));
    IPRW(15) = 0;
}
