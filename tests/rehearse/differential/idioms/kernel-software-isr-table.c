struct e {
    void (*f)(uint32_t);
    uint32_t arg;
};
static volatile uint32_t hits[4];
static void h(uint32_t a)
{
    hits[a]++;
    if (a == 1) pend_irq(61);
}
static void none(uint32_t a)
{
    default_handler();
}
static struct e tab[112];
USED void wrapper(void)
{
    uint32_t i=MRS("ipsr")&0x1FF;
    struct e *x = &tab[i];
    x->f(x->arg);
}
void irq60_handler(void) __attribute__((alias("wrapper")));
void irq61_handler(void) __attribute__((alias("wrapper")));
void systick_handler(void) __attribute__((alias("wrapper")));
static inline uint32_t irq_lock(void)
{
    uint32_t k=MRS("basepri");
    MSR("basepri_max", 0x20);
    ISB();
    return k;
}
static inline void irq_unlock(uint32_t k)
{
    MSR("basepri", k);
    ISB();
}
static void idle(void)
{
    CPSID();
    MSR("basepri", 0);
    ISB();
    DSB();
    WFI();
    CPSIE();
    ISB();
}
void scenario(void)
{
    for (int i = 0; i < 112; i++) {
        tab[i].f = none;
    }
    tab[76] = (struct e) {
        h, 1
    };
    tab[77] = (struct e) {
        h, 2
    };
    tab[15] = (struct e) {
        h, 3
    };
    enable_irq(60, 0x40);
    enable_irq(61, 0x60);
    SHPR(15) = 0x40;
    uint32_t k = irq_lock();
    uint32_t k2 = irq_lock();
    pend_irq(60);
    DSB();
    ISB();
    show("held", hits[1]);
    irq_unlock(k2);
    show("held", hits[1]);
    irq_unlock(k);
    show("hit", hits[1]);
    show("hit", hits[2]);
    start_tick(2000);
    while (hits[3] < 5) {
        uint32_t q = irq_lock();
        (void)q;
        idle();
    }
    stop_tick();
    say("idle ok");
}
