struct ctx {
    uint32_t *sp;
    uint32_t basepri;
};
struct ctx T[3];
struct ctx *cur = &T[0];
static uint64_t st[3][128];
static volatile uint32_t n[3];
NAKED static void switch_to(struct ctx *to, struct ctx *from)
{
    __asm volatile("push {r4-r11,lr}\n str sp,[r1]\n ldr r3,[r0]\n mov sp,r3\n pop {r4-r11,pc}\n");
}
static void resched(void)
{
    struct ctx *o = cur;
    uint32_t i = (uint32_t)(cur-T);
    cur = &T[(i + 1) % 3];
    switch_to(cur, o);
}
USED static void from_isr(void)
{
    MSR("basepri", 0x40);
    resched();
    MSR("basepri", 0);
}
NAKED static void isr_exit(void)
{
    __asm volatile("bl from_isr\n svc #0\n b .\n");
}
NAKED void svc_handler(void)
{
    __asm volatile("mrs r0,psp\n adds r0,#32\n msr psp,r0\n bx lr\n");
}
void systick_handler(void)
{
    uint32_t *f;
    n[0]++;
    __asm volatile("mrs %0,psp":"=r"(f));
    if (ICSR&(1u << 11)) {
        f -= 8;
        f[6] = (uint32_t)isr_exit&~1u;
        f[7] = 0x01000000;
        MSR("psp", f);
    }
}
static void other(uint32_t k)
{
    for (;;) {
        n[k]++;
    }
}
static void o1(void)
{
    MSR("basepri", 0);
    other(1);
}
static void o2(void)
{
    MSR("basepri", 0);
    other(2);
}
static void make(int i, void(*f)(void))
{
    uint32_t *s = (uint32_t*)&st[i][128];
    *--s = (uint32_t)f;
    s -= 8;
    T[i].sp = s;
}
void scenario(void)
{
    SHPR(11) = 0x00;
    SHPR(15) = 0x80;
    make(1, o1);
    make(2, o2);
    __asm volatile("mov r0,sp\n msr psp,r0\n ldr r0,=stack_top-1024\n"::: "r0");
    MSR("psp", MRS("msp"));
    uint32_t m=MRS("msp");
    __asm volatile("movs r0,#2\n msr control,r0\n isb\n":::"r0", "memory");
    MSR("msp", m-512);
    start_tick(1500);
    while (n[0] < 12 || !n[1] || !n[2]) {
    }
    stop_tick();
    ICSR = ICSR_SYSTICK_CLEAR;
    say("switched");
}
