/* The main stack's limit holds in a handler: its recursion is a UsageFault that unwinds to the handler's end. */
extern uint32_t stack_top;
volatile uint32_t cfsr, n, sp_keep;
__attribute__((noinline)) static uint32_t deep(uint32_t k)
{
    volatile uint32_t x[16];
    x[k&15] = k;
    n++;
    return deep(k + 1) + x[k&15];
}
void bad(void)
{
    deep(0);
}
NAKED void irq60_handler(void)
{
    __asm volatile(
        "push {r4-r7,lr}\n sub sp,#4\n ldr r0,=sp_keep\n mov r1,sp\n str r1,[r0]\n bl bad\n "
        ".global out\n .thumb_func\n out: ldr r0,=sp_keep\n ldr r0,[r0]\n mov sp,r0\n "
        "add sp,#4\n pop {r4-r7,pc}\n .ltorg\n");
}
void out(void);
struct frame {
    uint32_t r0, r1, r2, r3, r12, lr, pc, psr;
};
USED void fix(struct frame *f)
{
    cfsr = CFSR;
    CFSR = cfsr;
    f->pc = (uint32_t)out&~1u;
    f->psr = 0x01000000u|(16 + 60);
}
NAKED void usage_fault_handler(void)
{
    __asm volatile(
        "mrs r1,msplim\n mov r0,#0\n msr msplim,r0\n mov r0,sp\n push {r1,lr}\n bl fix\n "
        "pop {r1,lr}\n msr msplim,r1\n bx lr\n");
}
void scenario(void)
{
    SHCSR |= SHCSR_USAGE_ENABLE;
    enable_irq(60, 0x80);
    uint32_t sp = MRS("msp");
    MSR("msplim", (sp-1024)&~7u);
    pend_irq(60);
    DSB();
    ISB();
    MSR("msplim", 0);
    show("cfsr", cfsr);
    mark(n > 3?'y':'n');
    show_trace();
}
