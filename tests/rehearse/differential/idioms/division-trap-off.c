/* A library that traps a division by zero for itself and takes the trap back: the result is 0 then. */
static volatile uint32_t traps;
USED void skip(uint32_t *frame)
{
    traps++;
    CFSR = 0xFFFFFFFF;
    frame[6] += 4;
}
NAKED void usage_fault_handler(void)
{
    __asm volatile("mrs r0,msp\n b skip\n");
}
static uint32_t divide(uint32_t a, uint32_t b)
{
    register uint32_t r __asm("r0") = a;
    register uint32_t d __asm("r3") = b;
    __asm volatile("udiv %0,%0,%1" : "+r"(r) : "r"(d));
    return r;
}
void scenario(void)
{
    SHCSR |= SHCSR_USAGE_ENABLE;
    for (int i = 0; i < 2; i++) {
        CCR |= CCR_DIV_ZERO_TRAP;
        DSB();
        ISB();
        show("trapped", divide(5 + i, 0));
        CCR &= ~CCR_DIV_ZERO_TRAP;
        DSB();
        ISB();
        show("zero", divide(5 + i, 0));
        show("half", divide(6, 2));
    }
    show("traps", traps);
}
