void irq60_handler(void)
{
    uint32_t z = 0x00C00000;
    __asm volatile("vmsr fpscr,%0"::"r"(z));
    float a = 1.0f, b = 3.0f;
    volatile float d = a / b;
    (void)d;
}
void scenario(void)
{
    CPACR |= 0xFu << 20;
    DSB();
    ISB();
    enable_irq(60, 0x40);
    uint32_t r;
    __asm volatile("vmsr fpscr,%0"::"r"(0x03000000));
    pend_irq(60);
    DSB();
    ISB();
    __asm volatile("vmrs %0,fpscr":"=r"(r));
    show("r", r);
    FPDSCR = 0x01000000;
    show("ds", FPDSCR);
}
