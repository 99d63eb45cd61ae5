static volatile uint8_t b[4];
static volatile uint16_t h[2];
void scenario(void)
{
    uint32_t s;
    for (uint32_t i = 0; i < 20; i++) {
        uint32_t v;
        do {
            __asm volatile(
                "ldrexb %0,[%2]\n adds %0,#17\n strexb %1,%0,[%2]\n"
                : "=&r"(v),"=&r"(s) : "r"(&b[1]) : "memory", "cc");
        } while (s);
        do {
            __asm volatile(
                "ldrexh %0,[%2]\n adds %0,#255\n strexh %1,%0,[%2]\n"
                : "=&r"(v),"=&r"(s) : "r"(&h[1]) : "memory", "cc");
        } while (s);
    }
    show("b", b[0]|b[1]<<8|b[2]<<16);
    show("h", h[0]|h[1]<<16);
    uint32_t v;
    __asm volatile("ldrex %0,[%2]\n clrex\n strex %1,%0,[%2]\n":"=&r"(v),"=&r"(s):"r"(h):"memory");
    show("clrex", s);
}
