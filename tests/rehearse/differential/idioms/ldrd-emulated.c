/* An unaligned LDRD is done by the fault handler, by halves. */
struct frame {
    uint32_t r0, r1, r2, r3, r12, lr, pc, psr;
};
static volatile uint32_t n;
static uint8_t bytes[16];
USED void fix(struct frame *f)
{
    uint32_t i = *(uint16_t*)f->pc << 16|*(uint16_t*)(f->pc + 2);
    if (!(CFSR&(1u << 24))) default_handler();
    CFSR = 1u << 24;
    if (i != 0xe9d02300u) default_handler();
    uint8_t *p = (uint8_t*)f->r0;
    f->r2 = (uint32_t)p[0]|(uint32_t)p[1] << 8|(uint32_t)p[2] << 16|(uint32_t)p[3] << 24;
    p += 4;
    f->r3 = (uint32_t)p[0]|(uint32_t)p[1] << 8|(uint32_t)p[2] << 16|(uint32_t)p[3] << 24;
    f->pc += 4;
    n++;
}
NAKED void usage_fault_handler(void)
{
    __asm volatile("mov r0,sp\n b fix\n");
}
void scenario(void)
{
    SHCSR |= SHCSR_USAGE_ENABLE;
    for (uint32_t i = 0; i < 16; i++) bytes[i] = (uint8_t)(i*17);
    for (uint32_t o = 0; o < 4; o++) {
        register uint32_t r0 __asm("r0")=(uint32_t)bytes+o;
        register uint32_t r2 __asm("r2");
        register uint32_t r3 __asm("r3");
        __asm volatile("ldrd r2,r3,[r0]\n" : "=r"(r2),"=r"(r3) : "r"(r0) : "memory");
        uint32_t a = r2, b = r3;
        show("a", a);
        show("b", b);
    }
    mark(n >= 3?'y':'n');
    show_trace();
}
