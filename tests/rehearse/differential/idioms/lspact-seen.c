static volatile uint32_t a, b, c;
NAKED void irq60_handler(void)
{
    __asm volatile(
        "push {r4,lr}\n ldr r0,=0xE000EF34\n ldr r1,[r0]\n ldr r2,=a\n str r1,[r2]\n "
        "vmov s0,r0\n ldr r1,[r0]\n ldr r2,=b\n str r1,[r2]\n mrs r1,control\n ldr r2,=c\n "
        "str r1,[r2]\n pop {r4,pc}\n"
    );
}
void scenario(void)
{
    (void)a;
    (void)b;
    (void)c;
    CPACR |= 0xFu << 20;
    DSB();
    ISB();
    enable_irq(60, 0x40);
    __asm volatile("vmov s0,%0"::"r"(5));
    pend_irq(60);
    DSB();
    ISB();
    show("a", a&1);
    show("b", b&1);
    show("c", c);
    uint32_t x;
    __asm volatile("vmov %0,s0":"=r"(x));
    show("x", x);
    show("ctl", MRS("control"));
}
