static volatile uint32_t n;
USED void hf(uint32_t *f)
{
    show("hfsr", HFSR);
    show("cfsr", CFSR);
    show("ipsr", MRS("ipsr"));
    HFSR = HFSR;
    CFSR = CFSR;
    f[6] += 2;
}
NAKED void hard_fault_handler(void)
{
    __asm volatile("mov r0,sp\n push {r4,lr}\n bl hf\n pop {r4,pc}\n");
}
USED void uf(uint32_t *f)
{
    show("uf", CFSR);
    CFSR = CFSR;
    f[6] += 2;
    __asm volatile("udf #1");
    show("back", MRS("ipsr"));
}
NAKED void usage_fault_handler(void)
{
    __asm volatile("mov r0,sp\n push {r4,lr}\n bl uf\n pop {r4,pc}\n");
}
void scenario(void)
{
    SHCSR |= SHCSR_USAGE_ENABLE;
    __asm volatile("udf #0");
    say("over");
}
