/* FPDSCR gives the rounding of a handler's own float context; that of thread code comes back. */
static volatile uint32_t status, quotient;
void irq60_handler(void)
{
    uint32_t s, q;
    __asm volatile("vmrs %0,fpscr\n vmov.f32 s0,#1.0\n vmov.f32 s1,#3.0\n vdiv.f32 s2,s0,s1\n vmov %1,s2\n"
                   : "=r"(s), "=r"(q)::"s0", "s1", "s2");
    status = s & 0x07C00000;
    quotient = q;
}
void scenario(void)
{
    uint32_t own;
    CPACR |= 0xFu << 20;
    DSB();
    ISB();
    enable_irq(60, 0x40);
    __asm volatile("vmsr fpscr,%0" ::"r"(1u << 22));
    for (uint32_t mode = 0; mode < 4; mode++) {
        FPDSCR = mode << 22 | (mode & 1) << 24;
        DSB();
        ISB();
        pend_irq(60);
        DSB();
        ISB();
        __asm volatile("vmrs %0,fpscr" : "=r"(own));
        show("own", own & 0x07C00000);
        show("handler", status);
        show("third", quotient);
    }
}
