static uint64_t stk[64];
static volatile uint32_t seen;
USED void uf(void)
{
    seen = CFSR;
    CFSR = CFSR;
    MSR("psplim", 0);
}
void usage_fault_handler(void)
{
    uf();
}
void scenario(void)
{
    SHCSR |= SHCSR_USAGE_ENABLE;
    __asm volatile(
        "msr psp,%0\n msr psplim,%1\n movs r0,#2\n msr control,r0\n isb\n sub sp,#200\n "
        "sub sp,#200\n movs r0,#0\n msr control,r0\n isb\n"
        :  : "r"(&stk[64]),"r"(&stk[20]) : "r0", "memory");
    show("cfsr", seen);
    show("lim", MRS("psplim"));
}
