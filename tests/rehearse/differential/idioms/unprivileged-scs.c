static volatile uint32_t cf, n;
USED void bf(uint32_t *f)
{
    cf = CFSR;
    CFSR = CFSR;
    n++;
    f[6] += 2;
}
NAKED void bus_fault_handler(void)
{
    __asm volatile("mov r0,sp\n push {r4,lr}\n bl bf\n pop {r4,pc}\n");
}
NAKED void svc_handler(void)
{
    __asm volatile("movs r0,#0\n msr control,r0\n isb\n bx lr\n");
}
void scenario(void)
{
    SHCSR |= SHCSR_BUS_ENABLE;
    uint32_t x = 77;
    __asm volatile(
        "ldr r1,=0xE000ED00\n movs r0,#1\n msr control,r0\n isb\n movs r2,#5\n ldr r2,[r1]\n "
        "svc #0\n mov %0,r2\n"
        : "=&r"(x) :  : "r0", "r1", "r2", "memory");
    show("x", x);
    show("cf", cf);
    show("n", n);
}
