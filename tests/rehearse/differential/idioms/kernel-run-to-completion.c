/* Active objects: each event is handled to its end; the kernel locks by a ceiling in BASEPRI, above which one line stays. */
#define OBJECTS 3
#define CEILING 0x40
struct queue {
    volatile uint8_t events[8];
    volatile uint8_t head, tail;
};
static struct queue queues[OBJECTS];
static volatile uint32_t ready, ticks, fast, fast_locked, handled[OBJECTS], stop;
static uint32_t lock(void)
{
    uint32_t old = MRS("basepri");
    __asm volatile("msr basepri_max, %0" :  : "r"(CEILING) : "memory");
    ISB();
    return old;
}
static void unlock(uint32_t old)
{
    MSR("basepri", old);
    ISB();
}
static void post(uint32_t object, uint8_t event)
{
    uint32_t old = lock();
    struct queue *q = &queues[object];
    q->events[q->head & 7] = event;
    q->head++;
    ready |= 1u << object;
    unlock(old);
}
static int take(uint32_t object, uint8_t *event)
{
    uint32_t old = lock();
    struct queue *q = &queues[object];
    int some = q->head != q->tail;
    if (some) {
        *event = q->events[q->tail & 7];
        q->tail++;
        if (q->head == q->tail) ready &= ~(1u << object);
    }
    unlock(old);
    return some;
}
void irq61_handler(void)
{
    fast++;
    if (MRS("basepri") == CEILING) fast_locked++;
}
void systick_handler(void)
{
    ticks++;
    post(ticks % OBJECTS, (uint8_t)ticks);
    if (ticks % 4 == 0) post(0, 200);
    if (ticks >= 24) stop_tick();
}
void irq60_handler(void)
{
    post(2, 100);
}
static void dispatch(uint32_t object, uint8_t event)
{
    handled[object] = handled[object] * 3 + event;
    if (object == 1) {
        pend_irq(60);
        DSB();
        ISB();
    }
    if (object == 2 && event < 100) post(0, (uint8_t)(event + 1));
    if (event == 100) {
        uint32_t old = lock();
        pend_irq(61);
        DSB();
        ISB();
        unlock(old);
    }
}
void scenario(void)
{
    uint8_t event;
    SHPR(15) = 0x80;
    enable_irq(60, 0x60);
    enable_irq(61, 0x20);
    start_tick(1500);
    for (;;) {
        CPSID();
        if (!ready) {
            if (ticks >= 24) {
                CPSIE();
                break;
            }
            WFI();
            CPSIE();
            continue;
        }
        uint32_t object = 31 - (uint32_t)__builtin_clz(ready);
        CPSIE();
        if (take(object, &event)) dispatch(object, event);
    }
    show("ticks", ticks);
    for (uint32_t i = 0; i < OBJECTS; i++) show("handled", handled[i]);
    show("fast", fast);
    show("locked", fast_locked);
}
