static uint8_t bytes[64] __attribute__((aligned(8)));
static volatile uint32_t n;
struct frame {
    uint32_t r0, r1, r2, r3, r12, lr, pc, psr;
};
USED void fix(struct frame *f)
{
    CFSR = CFSR;
    n++;
    f->pc += 4;
}
NAKED void usage_fault_handler(void)
{
    __asm volatile("mov r0,sp\n b fix\n");
}
void scenario(void)
{
    CPACR |= 0xF << 20;
    DSB();
    ISB();
    SHCSR |= SHCSR_USAGE_ENABLE;
    for (uint32_t i = 0; i < 64; i++) bytes[i] = (uint8_t)(i*3);
    uint32_t sum = 0, v;
    for (uint32_t i = 0; i < 12; i++) {
        register uint32_t r0 __asm("r0")=(uint32_t)bytes+i*(i<6?4:3);
        __asm volatile("vldr s3,[r0,#4]\n vmov %0,s3\n" : "=r"(v) : "r"(r0) : "memory");
        sum += v;
    }
    show("sum", sum);
    show("n", n);
}
