static volatile uint32_t n, cfsr;
void usage_fault_handler(void)
{
    cfsr = CFSR;
    CFSR = cfsr;
    n++;
    CPACR |= 0xF << 20;
    DSB();
    ISB();
}
static volatile uint32_t sel = 1;
void scenario(void)
{
    SHCSR |= SHCSR_USAGE_ENABLE;
    uint32_t r = sel;
    __asm volatile(
        "cmp %0,#1\n it ne\n vmovne s1,%0\n cmp %0,#1\n it eq\n vmoveq s0,%0\n vmov %0,s0\n"
        : "+r"(r) :  : "cc", "memory");
    show("r", r);
    show("n", n);
    show("cfsr", cfsr);
}
