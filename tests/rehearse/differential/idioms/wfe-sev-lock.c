/* A lock that sleeps: WFE while it is taken, SEV when it is given back. */
static void take(void)
{
    uint32_t v, f;
    for (;;) {
        __asm volatile("ldaex %0,[%1]" : "=r"(v) : "r"(&LINK->word[4]) : "memory");
        if (v) {
            WFE();
            continue;
        }
        __asm volatile("strex %0,%1,[%2]" : "=&r"(f) : "r"(1),"r"(&LINK->word[4]) : "memory");
        if (!f) break;
    }
    DMB();
}
static void give(void)
{
    __asm volatile("stl %0,[%1]" :  : "r"(0),"r"(&LINK->word[4]) : "memory");
    DSB();
    SEV();
}
void scenario(void)
{
    for (int i = 0; i < 30; i++) {
        take();
        LINK->word[5] = LINK->word[5] + 3;
        spend(3);
        give();
    }
#ifdef STATION
    while (!LINK->word[6]) WFE();
    show("n", LINK->word[5]);
#else
    LINK->word[6] = 1;
    DSB();
    SEV();
#endif
}
