static uint32_t words[64] __attribute__((aligned(8)));
void scenario(void)
{
    uint32_t sum = 0;
    for (uint32_t k = 0; k < 300; k++) for (uint32_t i = 0; i < 31; i++) {
        register uint32_t *r0 __asm("r0")=words+2*i;
        register uint32_t r2 __asm("r2");
        register uint32_t r3 __asm("r3");
        __asm volatile(
            "cmp r0,#0\n ittt ne\n ldrdne r2,r3,[r0]\n addne r2,#3\n strdne r3,r2,[r0]\n"
            : "=r"(r2),"=r"(r3) : "r"(r0) : "memory", "cc");
        sum += r2^r3;
    }
    show("sum", sum);
}
