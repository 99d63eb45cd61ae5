static uint8_t bytes[64] __attribute__((aligned(8)));
static volatile uint32_t n;
struct frame {
    uint32_t r0, r1, r2, r3, r12, lr, pc, psr;
};
USED void fix(struct frame *f)
{
    CFSR = CFSR;
    n++;
    f->r2 = 1;
    f->r3 = 2;
    f->pc += 4;
    f->psr &= ~0x0600fc00u;
}
NAKED void usage_fault_handler(void)
{
    __asm volatile("mov r0,sp\n b fix\n");
}
void scenario(void)
{
    SHCSR |= SHCSR_USAGE_ENABLE;
    for (uint32_t i = 0; i < 64; i++) bytes[i] = (uint8_t)(i*3);
    uint32_t sum = 0;
    for (uint32_t i = 0; i < 24; i++) {
        register uint32_t r0 __asm("r0")=(uint32_t)bytes+i;
        register uint32_t r1 __asm("r1")=(i&3)==0||i==9||i==14;
        register uint32_t r2 __asm("r2")=i;
        register uint32_t r3 __asm("r3")=7;
        __asm volatile(
            "cmp r1,#0\n it ne\n ldrdne r2,r3,[r0]\n"
            : "+r"(r2),"+r"(r3) : "r"(r0),"r"(r1) : "memory", "cc");
        sum = sum*3 + (r2^r3);
    }
    show("sum", sum);
    show("n", n);
}
