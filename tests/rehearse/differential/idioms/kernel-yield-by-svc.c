/* Tasks on process stacks that yield by SVC alone: its handler saves, chooses the next by turns and returns there. */
#define TASKS 4
struct task {
    uint32_t *sp;
    uint32_t state;
};
static struct task tasks[TASKS];
static uint32_t stacks[TASKS][64] __attribute__((aligned(8)));
static volatile uint32_t now, left, sums[TASKS];
static uint32_t *boot;
USED uint32_t *kernel(uint32_t *sp, uint32_t number)
{
    if (number == 0) {
        boot = sp;
        now = 0;
        return tasks[0].sp;
    }
    tasks[now].sp = sp;
    if (number == 2) {
        tasks[now].state = 1;
        left--;
    }
    if (!left) return boot;
    do {
        now = (now + 1) % TASKS;
    } while (tasks[now].state);
    return tasks[now].sp;
}
NAKED void svc_handler(void)
{
    __asm volatile(
        "mrs r0,psp\n tst lr,#4\n bne 1f\n push {r4-r11}\n mov r0,sp\n mov r1,#0\n "
        "push {r3,lr}\n bl kernel\n pop {r3,lr}\n b 2f\n 1: ldr r1,[r0,#24]\n "
        "ldrb r1,[r1,#-2]\n stmdb r0!,{r4-r11}\n push {r3,lr}\n bl kernel\n pop {r3,lr}\n "
        "mov r2,sp\n cmp r0,r2\n beq 3f\n 2: ldmia r0!,{r4-r11}\n msr psp,r0\n "
        "ldr lr,=0xfffffffd\n bx lr\n 3: pop {r4-r11}\n ldr lr,=0xfffffff9\n bx lr\n .ltorg\n");
}
static void yield(void)
{
    SVC(1);
}
USED void work(uint32_t me)
{
    register uint32_t kept __asm("r7") = me * 1000;
    for (uint32_t i = 0; i < 5 + me; i++) {
        mark((char)('a' + me));
        kept += i * (me + 1);
        __asm volatile("" : "+r"(kept));
        yield();
    }
    sums[me] = kept;
    SVC(2);
    for (;;) {
    }
}
void scenario(void)
{
    left = TASKS;
    for (uint32_t i = 0; i < TASKS; i++) {
        uint32_t *f = &stacks[i][48];
        f[8] = i;
        f[14] = (uint32_t)work & ~1u;
        f[15] = 0x01000000;
        f[13] = 0;
        tasks[i].sp = f;
    }
    MSR("psp", (uint32_t)&stacks[0][56]);
    SVC(0);
    show_trace();
    for (uint32_t i = 0; i < TASKS; i++) show("sum", sums[i]);
}
