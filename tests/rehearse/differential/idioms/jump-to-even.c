static volatile uint32_t lr4;
USED void uf(uint32_t *f)
{
    show("cfsr", CFSR);
    CFSR = CFSR;
    show("t", f[7]>>24&1);
    f[6] = f[5];
    f[7] |= 1u << 24;
}
NAKED void usage_fault_handler(void)
{
    __asm volatile("mov r0,sp\n push {r4,lr}\n bl uf\n pop {r4,pc}\n");
}
USED void target(void)
{
    say("never");
}
void scenario(void)
{
    SHCSR |= SHCSR_USAGE_ENABLE;
    ((void(*)(void))((uint32_t)target&~1u))();
    say("over");
}
