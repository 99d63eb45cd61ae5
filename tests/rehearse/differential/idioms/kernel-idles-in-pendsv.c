struct thread {
    uint32_t *sp;
    volatile uint32_t ready, wake;
};
struct thread threads[2];
struct thread *volatile current, *volatile execute;
static uint64_t st[2][128];
static volatile uint32_t now_, acc;
static void choose(void)
{
    execute = threads[0].ready ? &threads[0] : threads[1].ready ? &threads[1] : 0;
}
void systick_handler(void)
{
    CPSID();
    now_++;
    for (int i = 0; i < 2; i++) if (!threads[i].ready && threads[i].wake == now_) threads[i].ready = 1;
    choose();
    ICSR = ICSR_PENDSV_SET;
    CPSIE();
}
NAKED void pendsv_handler(void)
{
    __asm volatile(
        "ldr r0,=current\n ldr r2,=execute\n cpsid i\n ldr r1,[r0]\n cbz r1,1f\n mrs r12,psp\n "
        "stmdb r12!,{r4-r11,lr}\n str r12,[r1]\n movs r3,#0\n str r3,[r0]\n"
        "1: cpsid i\n ldr r1,[r2]\n str r1,[r0]\n cbnz r1,2f\n dsb\n wfi\n isb\n cpsie i\n b 1b\n"
        "2: cpsie i\n ldr r12,[r1]\n ldmia r12!,{r4-r11,lr}\n msr psp,r12\n bx lr\n");
}
static void sleep_(uint32_t n)
{
    CPSID();
    current->wake = now_ + n;
    current->ready = 0;
    choose();
    ICSR = ICSR_PENDSV_SET;
    CPSIE();
    ISB();
}
static void one(void)
{
    for (uint32_t i = 0; i < 5; i++) {
        acc = acc*7 + 1;
        sleep_(3);
    }
    for (;;) sleep_(0x40000000);
}
static void two(void)
{
    for (uint32_t i = 0; i < 5; i++) {
        acc = acc*7 + 2;
        sleep_(4);
    }
    show("acc", acc);
    say("done");
    DMB();
    LINK->sampler_done = 1;
    for (;;) sleep_(0x40000000);
}
static void make(int i, void(*f)(void))
{
    uint32_t *s = (uint32_t*)&st[i][128];
    *--s = 0x01000000;
    *--s = (uint32_t)f;
    s -= 6;
    *--s = 0xFFFFFFFD;
    s -= 8;
    threads[i].sp = s;
    threads[i].ready = 1;
}
void scenario(void)
{
    SHPR(14) = 0xFF;
    SHPR(15) = 0x40;
    make(0, one);
    make(1, two);
    choose();
    start_tick(2000);
    ICSR = ICSR_PENDSV_SET;
    DSB();
    ISB();
    for (;;) {
    }
}
