static volatile uint32_t lr_seen[8];
volatile uint32_t k;
NAKED void svc_handler(void)
{
    __asm volatile(
        "ldr r2,=k\n ldr r3,[r2]\n ldr r1,=lr_place\n ldr r1,[r1]\n str lr,[r1,r3,lsl #2]\n "
        "add r3,#1\n str r3,[r2]\n bx lr\n .ltorg\n");
}
volatile uint32_t *const lr_place = lr_seen;
static uint32_t stack[128] __attribute__((aligned(8)));
void irq60_handler(void)
{
    SVC(3);
}
void irq61_handler(void)
{
    float f = (float)k;
    __asm volatile("vmov s0,%0" :  : "r"(f));
    SVC(4);
}
void scenario(void)
{
    (void)stack;
    CPACR |= 0xF << 20;
    DSB();
    ISB();
    enable_irq(60, 0x80);
    enable_irq(61, 0x80);
    SVC(0);
    __asm volatile("vmov s1,%0" :  : "r"(1));
    SVC(1);
    uint32_t c = MRS("control");
    MSR("psp", (uint32_t)(stack+126));
    __asm volatile("msr control,%0\n isb\n svc 2\n msr control,%1\n isb\n" :  : "r"(2),"r"(c&~4u) : "memory");
    SVC(3);
    pend_irq(60);
    DSB();
    ISB();
    pend_irq(61);
    DSB();
    ISB();
    show("ctl", MRS("control"));
    for (uint32_t i=0;i<k;i++) show("lr", lr_seen[i]);
}
