/* Both cores run jobs from a shared list; a core without one waits for an event, and who adds one sends it. */
#define JOBS 24
#define NEXT LINK->word[1]
#define LOCK LINK->word[2]
#define DONE_COUNT LINK->word[3]
static void take(void)
{
    uint32_t v, f;
    for (;;) {
        __asm volatile("ldaex %0,[%1]" : "=r"(v) : "r"(&LOCK) : "memory");
        if (v) {
            WFE();
            continue;
        }
        __asm volatile("strex %0,%1,[%2]" : "=&r"(f) : "r"(1), "r"(&LOCK) : "memory");
        if (!f) {
            DMB();
            return;
        }
    }
}
static void give(void)
{
    DMB();
    LOCK = 0;
    DSB();
    SEV();
}
static int run_one(void)
{
    take();
    uint32_t job = LINK->word[8] > NEXT ? ++NEXT : 0;
    give();
    if (!job) return 0;
    spend(job & 7);
    take();
    LINK->word[4] += job * job;
    DONE_COUNT++;
    give();
    return 1;
}
void scenario(void)
{
#ifdef STATION
    for (uint32_t i = 1; i <= JOBS; i++) {
        take();
        LINK->word[8] = i;
        give();
        spend(30);
        if (i % 5 == 0) run_one();
    }
#endif
    while (DONE_COUNT < JOBS) {
        if (!run_one()) {
            WFE();
        }
    }
    SEV();
    show("all", LINK->word[4]);
}
