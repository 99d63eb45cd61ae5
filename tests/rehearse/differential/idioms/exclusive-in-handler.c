static volatile uint32_t word = 10, tries, other = 5;
void irq60_handler(void)
{
    uint32_t v, f;
    do {
        __asm volatile(
            "ldrex %0,[%2]\n add %0,#100\n strex %1,%0,[%2]\n"
            : "=&r"(v),"=&r"(f) : "r"(&other) : "memory");
        tries += 16;
    } while (f);
}
void scenario(void)
{
    enable_irq(60, 0x40);
    uint32_t v, f;
    do {
        __asm volatile("ldrex %0,[%1]" : "=r"(v) : "r"(&word) : "memory");
        if (++tries == 1) {
            pend_irq(60);
            DSB();
            ISB();
        }
        __asm volatile("strex %0,%1,[%2]" : "=&r"(f) : "r"(v+1),"r"(&word) : "memory");
    } while (f);
    show("w", word);
    show("o", other);
    show("tries", tries);
}
