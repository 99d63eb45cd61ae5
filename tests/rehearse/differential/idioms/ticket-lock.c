#define TICKET ((volatile uint32_t*)&LINK->word[4])
#define SERVE ((volatile uint32_t*)&LINK->word[5])
static void lock(void)
{
    uint32_t t = __atomic_fetch_add(TICKET, 1, __ATOMIC_ACQ_REL);
    while (__atomic_load_n(SERVE, __ATOMIC_ACQUIRE) != t) {
    }
}
static void unlock(void)
{
    __atomic_store_n(SERVE, *SERVE + 1, __ATOMIC_RELEASE);
}
void scenario(void)
{
    for (uint32_t i = 0; i < 200; i++) {
        lock();
        uint32_t v = LINK->word[6];
        spend(i % 7);
        LINK->word[6] = v + 1;
        unlock();
    }
    LINK->word[7+ (NAME[1]=='t')] = 1;
    while (!(LINK->word[7] && LINK->word[8])) {
    }
    show("sum", LINK->word[6]);
}
