static uint64_t us[64];
static volatile uint32_t n, r[4];
USED void c(void)
{
    r[n&3]=MRS("control");
    n++;
}
NAKED void irq60_handler(void)
{
    __asm volatile("push {r4,lr}\n bl c\n pop {r4,pc}\n");
}
NAKED void svc_handler(void)
{
    __asm volatile("movs r0,#0\n msr control,r0\n isb\n bx lr\n");
}
static volatile uint32_t t;
void systick_handler(void)
{
    t++;
}
void scenario(void)
{
    uint32_t a, b, s;
    CCR |= CCR_USERSETMPEND;
    enable_irq(60, 0x40);
    start_tick(300);
    __asm volatile(
        "mov r4,sp\n msr psp,%3\n movs r0,#3\n msr control,r0\n isb\n ldr r1,=0xE000EF00\n "
        "movs r2,#60\n str r2,[r1]\n dsb\n isb\n mrs %0,control\n push {r1,r2}\n str r2,[r1]\n "
        "dsb\n isb\n pop {r1,r2}\n mov r0,#3000\n 1: subs r0,#1\n bne 1b\n mov %2,sp\n "
        "mrs %1,control\n svc #0\n mov sp,r4\n"
        : "=&r"(a),"=&r"(b),"=&r"(s) : "r"(&us[64]) : "r0", "r1", "r2", "r3", "r4", "cc", "memory");
    stop_tick();
    show("a", a);
    show("b", b);
    show("sp", s==(uint32_t)&us[64]);
    show("n", n);
    show("r", r[0]);
    show("r", r[1]);
    show("t", t>5);
    show("c", MRS("control"));
}
