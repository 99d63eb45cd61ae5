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
void scenario(void)
{
    SHCSR |= SHCSR_USAGE_ENABLE;
    uint32_t a = 1, b = 2, r;
    __asm volatile(
        "cmp %1,#5\n ite eq\n moveq %2,#9\n movne %2,#8\n cmp %1,#1\n itt ne\n addne %2,#1\n "
        "subne %1,#1\n vmov s0,%2\n vmov %0,s0\n"
        : "=r"(r),"+r"(a),"+r"(b) :  : "cc", "memory");
    show("r", r);
    show("n", n);
    show("cfsr", cfsr);
    show("ab", a*16+b);
}
