/* A kernel makes a task's first frame as a float frame, and starts it by a return. */
static uint32_t stack[160] __attribute__((aligned(8)));
static volatile uint32_t got[4], ctl;
volatile uint32_t back_lr;
USED void task(void)
{
    uint32_t a, b, c;
    __asm volatile("vmov %0,s0\n vmov %1,s15\n vmrs %2,fpscr\n" : "=r"(a),"=r"(b),"=r"(c));
    got[0] = a;
    got[1] = b;
    got[2] = c;
    ctl = MRS("control");
    SVC(1);
    for (;;) {
    }
}
USED uint32_t start_frame(void)
{
    uint32_t *f = stack + 160-26;
    for (int i = 0; i < 26; i++) f[i] = 0x11110000u + (uint32_t)i;
    f[6] = (uint32_t)task&~1u;
    f[7] = 0x01000000;
    f[24] = 0x00400000;
    f[25] = 0;
    return (uint32_t)f;
}
NAKED void svc_handler(void)
{
    __asm volatile(
        "ldr r2,=back_lr\n ldr r3,[r2]\n cbnz r3,1f\n str lr,[r2]\n bl start_frame\n "
        "msr psp,r0\n ldr lr,=0xffffffed\n bx lr\n 1: mov lr,r3\n bx lr\n .ltorg\n");
}
void scenario(void)
{
    CPACR |= 0xF << 20;
    DSB();
    ISB();
    SVC(0);
    for (int i=0;i<3;i++) show("g", got[i]);
    show("ctl", ctl);
    show("ctl", MRS("control")&~4u);
}
