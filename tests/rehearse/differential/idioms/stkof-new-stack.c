/* A task that overflows its limited stack is restarted on a fresh one by the fault handler. */
static uint32_t a[64] __attribute__((aligned(8))), b[256] __attribute__((aligned(8)));
static volatile uint32_t cfsr;
static volatile uint32_t starts;
volatile uint32_t back;
__attribute__((noinline)) static uint32_t deep(uint32_t n)
{
    volatile uint32_t x[8];
    x[n&7] = n;
    return n? deep(n-1) + x[n&7]:0;
}
USED void task(void)
{
    starts++;
    uint32_t r = deep(8);
    SVC(1);
    (void)r;
    for (;;) {
    }
}
static uint32_t frame(uint32_t *top)
{
    uint32_t *f = top-8;
    for (int i = 0; i < 6; i++) f[i] = 0;
    f[6] = (uint32_t)task&~1u;
    f[7] = 0x01000000;
    return (uint32_t)f;
}
USED uint32_t first(void)
{
    MSR("psplim", (uint32_t)a);
    return frame(a + 64);
}
USED uint32_t second(void)
{
    cfsr = CFSR;
    CFSR = cfsr;
    MSR("psplim", (uint32_t)b);
    return frame(b + 256);
}
NAKED void svc_handler(void)
{
    __asm volatile(
        "ldr r2,=back\n ldr r3,[r2]\n cbnz r3,1f\n str lr,[r2]\n bl first\n msr psp,r0\n "
        "ldr lr,=0xfffffffd\n bx lr\n 1: mov lr,r3\n bx lr\n .ltorg\n");
}
NAKED void usage_fault_handler(void)
{
    __asm volatile("push {lr}\n sub sp,#4\n bl second\n msr psp,r0\n add sp,#4\n pop {pc}\n");
}
void scenario(void)
{
    SHCSR |= SHCSR_USAGE_ENABLE;
    SVC(0);
    show("starts", starts);
    show("cfsr", cfsr);
}
