/* Undefined instructions as a call gate: the handler takes the number and moves the PC on. */
struct frame {
    uint32_t r0, r1, r2, r3, r12, lr, pc, psr;
};
USED void gate(struct frame *f)
{
    uint16_t i = *(uint16_t*)f->pc;
    CFSR = 1u << 16;
    if ((i&0xff00) != 0xde00) default_handler();
    f->r0 = f->r0*(i&0xff) + f->r1;
    f->pc += 2;
    mark((char)('0'+(i&0xf)));
}
NAKED void usage_fault_handler(void)
{
    __asm volatile("tst lr,#4\n ite eq\n mrseq r0,msp\n mrsne r0,psp\n b gate\n");
}
static uint32_t call3(uint32_t a, uint32_t b)
{
    register uint32_t r0 __asm("r0")=a;
    register uint32_t r1 __asm("r1")=b;
    __asm volatile("udf #3" : "+r"(r0) : "r"(r1) : "memory");
    return r0;
}
static uint32_t call7(uint32_t a, uint32_t b)
{
    register uint32_t r0 __asm("r0")=a;
    register uint32_t r1 __asm("r1")=b;
    __asm volatile("udf #7" : "+r"(r0) : "r"(r1) : "memory");
    return r0;
}
void scenario(void)
{
    SHCSR |= SHCSR_USAGE_ENABLE;
    uint32_t x = 5;
    for (int i = 0; i < 3; i++) {
        x = call3(x, 1);
        x = call7(x, 2);
    }
    show("x", x);
    show_trace();
}
