struct frame {
    uint32_t r0, r1, r2, r3, r12, lr, pc, psr;
};
static volatile uint32_t n, ipsr;
USED void fix(struct frame *f)
{
    n++;
    ipsr = f->psr&0x1ff;
    HFSR = HFSR;
    CFSR = CFSR;
    f->pc += 2;
}
NAKED void hard_fault_handler(void)
{
    __asm volatile("mov r0,sp\n b fix\n");
}
void irq60_handler(void)
{
    __asm volatile("udf #1\n" :  :  : "memory");
    mark('i');
}
void scenario(void)
{
    enable_irq(60, 0);
    pend_irq(60);
    DSB();
    ISB();
    __asm volatile("udf #2\n" :  :  : "memory");
    mark('t');
    show_trace();
    show("n", n);
    show("ipsr", ipsr);
}
