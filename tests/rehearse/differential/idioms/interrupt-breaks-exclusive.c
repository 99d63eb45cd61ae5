void irq60_handler(void)
{
}
static volatile uint32_t w;
void scenario(void)
{
    uint32_t s, v;
    enable_irq(60, 0);
    __asm volatile(
        "ldrex %0,[%2]\n str %3,[%4]\n dsb\n isb\n strex %1,%0,[%2]\n"
        : "=&r"(v),"=&r"(s) : "r"(&w),"r"(1u<<28),"r"(0xE000E204) : "memory");
    show("s", s);
}
