#define N 3
struct task {
    uint32_t *sp;
    void (*fn)(uint32_t);
    uint32_t arg;
    uint32_t done;
};
static struct task t[N + 1];
struct task *cur;
static uint64_t st[N][96];
USED struct task *next(void)
{
    struct task *c = cur;
    do {
        c = c == &t[N]? &t[0] : c + 1;
    } while (c->done);
    cur = c;
    return c;
}
NAKED void pendsv_handler(void)
{
    __asm volatile(
        "mrs r0,psp\n stmdb r0!,{r4-r11,lr}\n ldr r1,=cur\n ldr r1,[r1]\n str r0,[r1]\n "
        "bl next\n ldr r0,[r0]\n ldmia r0!,{r4-r11,lr}\n msr psp,r0\n bx lr\n");
}
static void yield_(void)
{
    ICSR = ICSR_PENDSV_SET;
    DSB();
    ISB();
}
static void ended(void)
{
    cur->done = 1;
    for (;;) yield_();
}
static void make(struct task *k, uint32_t i, void(*f)(uint32_t), uint32_t a)
{
    uint32_t *s = (uint32_t*)&st[i][96];
    *--s = 0x01000000;
    *--s = (uint32_t)f&~1u;
    *--s = (uint32_t)ended|1;
    *--s = 0;
    *--s = 0;
    *--s = 0;
    *--s = 0;
    *--s = a;
    *--s = 0xFFFFFFFD;
    for (int j = 0; j < 8; j++) *--s = j;
    k->sp = s;
}
static volatile uint32_t sum;
static void work(uint32_t a)
{
    for (uint32_t i = 0; i < 5; i++) {
        mark('a'+a);
        sum = sum*3 + a;
        yield_();
    }
}
static uint64_t own[64];
void scenario(void)
{
    SHPR(14) = 0xFF;
    for (uint32_t i = 0; i < N; i++) make(&t[i], i, work, i);
    cur = &t[N];
    __asm volatile(
        "msr psp,%0\n movs r0,#2\n msr control,r0\n isb\n mov r1,sp\n"
        :  : "r"(&own[64]) : "r0", "r1", "memory");
    while (!(t[0].done && t[1].done && t[2].done)) yield_();
    __asm volatile("movs r0,#0\n msr control,r0\n isb\n":::"r0", "memory");
    show("sum", sum);
    show_trace();
}
