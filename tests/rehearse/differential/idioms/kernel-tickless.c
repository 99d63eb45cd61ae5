#define N 3
struct task {
    uint32_t *sp;
    uint32_t wake;
    uint32_t ready;
};
static struct task t[N];
struct task *cur;
static uint64_t st[N][128];
static volatile uint32_t now_, armed;
static void arm(void)
{
    uint32_t best = 0;
    for (int i = 0; i < N; i++) {
        if (!t[i].ready && t[i].wake && (!best || t[i].wake - now_ < best - now_)) {
            best = t[i].wake;
        }
    }
    SYST_CSR = 0;
    if (best) {
        armed = best-now_;
        SYST_RVR = armed*100;
        SYST_CVR = 0;
        SYST_CSR = 7;
    } else armed = 0;
}
USED void pick(void)
{
    for (int i = 0; i < N; i++) if (t[i].ready) {
        cur = &t[i];
        return;
    }
}
void systick_handler(void)
{
    SYST_CSR = 0;
    now_ += armed;
    armed = 0;
    for (int i = 0; i < N; i++) if (t[i].wake && t[i].wake <= now_) {
        t[i].wake = 0;
        t[i].ready = 1;
    }
    arm();
    ICSR = ICSR_PENDSV_SET;
}
NAKED void pendsv_handler(void)
{
    __asm volatile(
        "cpsid i\n mrs r0,psp\n stmdb r0!,{r4-r11,lr}\n ldr r1,=cur\n ldr r2,[r1]\n "
        "str r0,[r2]\n push {r1,lr}\n bl pick\n pop {r1,lr}\n ldr r2,[r1]\n ldr r0,[r2]\n "
        "ldmia r0!,{r4-r11,lr}\n msr psp,r0\n cpsie i\n bx lr\n"
    );
}
NAKED void svc_handler(void)
{
    __asm volatile(
        "ldr r1,=cur\n ldr r1,[r1]\n ldr r0,[r1]\n ldmia r0!,{r4-r11,lr}\n msr psp,r0\n isb\n "
        "bx lr\n"
    );
}
static void sleep_(uint32_t n)
{
    CPSID();
    cur->wake = now_ + n;
    cur->ready = 0;
    if (!armed) arm();
    ICSR = ICSR_PENDSV_SET;
    CPSIE();
    ISB();
}
static volatile uint32_t acc[2];
static void one(void)
{
    for (int i = 0; i < 6; i++) {
        acc[0] += i;
        sleep_(5);
    }
    for (;;) sleep_(100000);
}
static void two(void)
{
    for (int i = 0; i < 4; i++) {
        acc[1] += i;
        sleep_(9);
    }
    say("done");
    DMB();
    LINK->sampler_done = 1;
    for (;;) sleep_(100000);
}
static void idle(void)
{
    for (;;) {
        DSB();
        WFI();
        ISB();
    }
}
static void make(int i, void(*f)(void))
{
    uint32_t *s = (uint32_t*)&st[i][128];
    *--s = 0x01000000;
    *--s = (uint32_t)f;
    s -= 6;
    *--s = 0xFFFFFFFD;
    s -= 8;
    t[i].sp = s;
    t[i].ready = 1;
}
void scenario(void)
{
    SHPR(14) = 0xFF;
    SHPR(15) = 0xC0;
    make(0, one);
    make(1, two);
    make(2, idle);
    cur = &t[0];
    SVC(0);
}
