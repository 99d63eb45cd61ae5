struct frame {
    uint32_t r0, r1, r2, r3, r12, lr, pc, psr;
};
static volatile uint32_t n, hfsr;
USED void fix(struct frame *f)
{
    hfsr = HFSR;
    HFSR = hfsr;
    n++;
    if ((*(uint16_t*)f->pc&0xff00) == 0xbe00) {
        if ((*(uint16_t*)f->pc&0xff) == 0xab) f->r0 = 42;
        f->pc += 2;
    } else default_handler();
}
NAKED void hard_fault_handler(void)
{
    __asm volatile("tst lr,#4\n ite eq\n mrseq r0,msp\n mrsne r0,psp\n b fix\n");
}
void scenario(void)
{
    register uint32_t r0 __asm("r0")=4;
    __asm volatile("bkpt 0xab\n" : "+r"(r0) :  : "memory");
    uint32_t v = r0;
    __asm volatile("bkpt 1\n" :  :  : "memory");
    show("v", v);
    show("n", n);
}
