static uint64_t us[64];
USED void c(uint32_t *f)
{
    if (((uint8_t*)f[6])[-2] == 1) {
        MSR("control", MRS("control")&~1u);
        ISB();
        f[0]=MRS("control");
    }
}
NAKED void svc_handler(void)
{
    __asm volatile(
        "tst lr,#4\n ite eq\n mrseq r0,msp\n mrsne r0,psp\n push {r4,lr}\n bl c\n pop {r4,pc}\n");
}
void scenario(void)
{
    uint32_t a, b;
    __asm volatile(
        "mov r4,sp\n msr psp,%2\n movs r0,#3\n msr control,r0\n isb\n mrs %0,control\n svc #1\n "
        "mov %1,r0\n movs r0,#0\n msr control,r0\n isb\n"
        : "=&r"(a),"=&r"(b) : "r"(&us[64]) : "r0", "r1", "r2", "r3", "r4", "r12", "memory");
    show("a", a);
    show("b", b);
}
