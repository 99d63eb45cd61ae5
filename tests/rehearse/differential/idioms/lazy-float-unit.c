/* The float unit is switched on by the first instruction that needs it. */
static volatile uint32_t faults, cfsr;
void usage_fault_handler(void)
{
    if (CFSR & (1u << 19)) {
        cfsr |= CFSR;
        CFSR = CFSR;
        CPACR |= 0xF << 20;
        DSB();
        ISB();
        faults++;
    } else default_handler();
}
__attribute__((noinline)) static uint32_t area(uint32_t n)
{
    volatile float s = 0;
    for (uint32_t i = 0; i < n; i++) s = s + (float)i*0.5f;
    return (uint32_t)s;
}
void scenario(void)
{
    SHCSR |= SHCSR_USAGE_ENABLE;
    show("a", area(10));
    show("a", area(20));
    show("f", faults);
    show("cfsr", cfsr);
    show("ctl", MRS("control"));
}
