/* One region is given to the task that runs; each task is user code, and one reaches for the other's data. */
static uint32_t data_a[8] __attribute__((aligned(32))), data_b[8] __attribute__((aligned(32)));
static uint32_t stacks[2][64] __attribute__((aligned(256)));
static volatile uint32_t kills, where, done_mask;
volatile uint32_t phase;
volatile uint32_t back_lr;
struct frame {
    uint32_t r0, r1, r2, r3, r12, lr, pc, psr;
};
static void give(uint32_t *data, uint32_t *stack)
{
    MPU_RNR = 3;
    MPU_RBAR = (uint32_t)data|2u|1u;
    MPU_RLAR = (uint32_t)data|1;
    MPU_RNR = 4;
    MPU_RBAR = (uint32_t)stack|2u|1u;
    MPU_RLAR = ((uint32_t)stack + 224)|1;
    DSB();
    ISB();
}
USED void task(uint32_t *own, uint32_t *other)
{
    own[0] += 5;
    own[1] = own[0];
    if (other) other[0] = 9;
    SVC(1);
    for (;;) {
    }
}
USED uint32_t next(uint32_t call)
{
    (void)call;
    uint32_t p = phase++;
    if (p == 2) return 0;
    uint32_t *st = stacks[p];
    struct frame *f = (struct frame*)(st + 56);
    f->r0 = (uint32_t)(p ? data_b:data_a);
    f->r1 = p ? (uint32_t)data_a:0;
    f->pc = (uint32_t)task&~1u;
    f->psr = 0x01000000;
    f->lr = 0;
    give(p ? data_b:data_a, st);
    MSR("control", 1);
    return (uint32_t)f;
}
NAKED void svc_handler(void)
{
    __asm volatile(
        "ldr r2,=back_lr\n ldr r3,[r2]\n cbnz r3,1f\n str lr,[r2]\n 1: push {r3,lr}\n bl next\n "
        "pop {r3,lr}\n cbz r0,2f\n msr psp,r0\n ldr lr,=0xfffffffd\n bx lr\n 2: mov r1,#0\n "
        "msr control,r1\n ldr r2,=back_lr\n ldr lr,[r2]\n bx lr\n .ltorg\n");
}
USED uint32_t kill(void)
{
    kills++;
    where = MMFAR-(uint32_t)data_a;
    CFSR = 0xff;
    phase++;
    MSR("control", 0);
    return 0;
}
NAKED void mem_manage_handler(void)
{
    __asm volatile(
        "push {r3,lr}\n bl kill\n pop {r3,lr}\n ldr r2,=back_lr\n ldr lr,[r2]\n bx lr\n "
        ".ltorg\n");
}
void scenario(void)
{
    SHCSR |= SHCSR_MEM_ENABLE;
    MPU_MAIR0 = 0xff;
    MPU_RNR = 0;
    MPU_RBAR = 0x10000000|6u;
    MPU_RLAR = 0x1001ffe0|1;
    DSB();
    MPU_CTRL = 5;
    ISB();
    SVC(0);
    MPU_CTRL = 0;
    DSB();
    ISB();
    show("kills", kills);
    show("where", where);
    show("a", data_a[0]*16+data_a[1]);
    show("b", data_b[0]*16+data_b[1]);
    show("ctl", MRS("control")&3);
}
