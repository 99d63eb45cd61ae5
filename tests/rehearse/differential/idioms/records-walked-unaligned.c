/* A walk over records of 6 bytes by LDM: the first is aligned, and a later one is not. */
static uint8_t bytes[256] __attribute__((aligned(8)));
static volatile uint32_t n, at, cfsr;
struct frame {
    uint32_t r0, r1, r2, r3, r12, lr, pc, psr;
};
USED void fix(struct frame *f)
{
    cfsr = CFSR;
    CFSR = cfsr;
    n++;
    at = f->r0-(uint32_t)bytes;
    f->r2 = 0;
    f->r3 = 0;
    f->pc += 2;
}
NAKED void usage_fault_handler(void)
{
    __asm volatile("mov r0,sp\n b fix\n");
}
void scenario(void)
{
    SHCSR |= SHCSR_USAGE_ENABLE;
    for (uint32_t i = 0; i < 256; i++) bytes[i] = (uint8_t)i;
    uint32_t sum = 0;
    for (uint32_t i = 0; i < 30; i++) {
        register uint32_t r0 __asm("r0")=(uint32_t)bytes+(i<20? i*4 : 80+(i-20)*6);
        register uint32_t r2 __asm("r2");
        register uint32_t r3 __asm("r3");
        __asm volatile("ldmia r0!,{r2,r3}\n" : "+r"(r0),"=r"(r2),"=r"(r3) :  : "memory");
        sum += r2^r3;
    }
    show("sum", sum);
    show("n", n);
    show("at", at);
    show("cfsr", cfsr);
}
