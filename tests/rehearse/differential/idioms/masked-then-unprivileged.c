static volatile uint32_t n;
void irq60_handler(void)
{
    n++;
}
NAKED void svc_handler(void)
{
    __asm volatile("movs r0,#0\n msr control,r0\n isb\n bx lr\n");
}
void systick_handler(void)
{
    n++;
    SYST_CSR = 0;
}
void scenario(void)
{
    uint32_t a;
    enable_irq(60, 0x40);
    SHPR(15) = 0x40;
    SHPR(11) = 0;
    SYST_RVR = 200;
    SYST_CVR = 0;
    SYST_CSR = 7;
    __asm volatile(
        "movs r0,#0x20\n msr basepri,r0\n movs r0,#1\n msr control,r0\n isb\n mov r1,#1000\n "
        "1: subs r1,#1\n bne 1b\n ldr r1,=n\n ldr %0,[r1]\n svc #0\n"
        : "=&r"(a) :  : "r0", "r1", "cc", "memory");
    (void)n;
    show("a", a);
    show("bp", MRS("basepri"));
    show("n", n);
    MSR("basepri", 0);
    ISB();
    show("n", n);
}
