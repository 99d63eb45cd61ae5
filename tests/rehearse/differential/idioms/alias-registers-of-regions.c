#define RBAR_A1 REG(0xE000EDA4)
#define RLAR_A1 REG(0xE000EDA8)
#define RBAR_A3 REG(0xE000EDB4)
#define RLAR_A3 REG(0xE000EDB8)
static uint32_t d[3][8] __attribute__((aligned(32)));
static volatile uint32_t at;
struct frame {
    uint32_t r0, r1, r2, r3, r12, lr, pc, psr;
};
USED void fix(struct frame *f)
{
    at = MMFAR-(uint32_t)d;
    CFSR = 0xff;
    f->pc += 2;
}
NAKED void mem_manage_handler(void)
{
    __asm volatile("mov r0,sp\n b fix\n");
}
static void poke(uint32_t *p)
{
    register uint32_t *r0 __asm("r0")=p;
    register uint32_t r1 __asm("r1")=3;
    __asm volatile("str r1,[r0]\n nop\n" :  : "r"(r0),"r"(r1) : "memory");
}
void scenario(void)
{
    SHCSR |= SHCSR_MEM_ENABLE;
    MPU_MAIR0 = 0xff;
    MPU_RNR = 4;
    RBAR_A1 = (uint32_t)d[0]|4u|1u;
    RLAR_A1 = (uint32_t)d[0]|1;
    RBAR_A3 = (uint32_t)d[2]|4u|1u;
    RLAR_A3 = (uint32_t)d[2]|1;
    MPU_RNR = 7;
    show("7", MPU_RBAR-(uint32_t)d);
    MPU_RNR = 5;
    show("5", MPU_RBAR-(uint32_t)d);
    MPU_CTRL = 5;
    DSB();
    ISB();
    at = 1;
    poke(d[0]);
    show("at", at);
    at = 1;
    poke(d[1]);
    show("at", at);
    at = 1;
    poke(d[2]);
    show("at", at);
    MPU_CTRL = 0;
    DSB();
    ISB();
    show("d", d[0][0]+d[1][0]*16+d[2][0]);
}
