struct co {
    uint32_t *sp;
};
static struct co m, a, b;
static uint64_t sa[96], sb[96];
static volatile uint32_t sum, ended;
NAKED static void swap(struct co *from, struct co *to)
{
    __asm volatile(
        "push {r4-r11,lr}\n mov r2,sp\n str r2,[r0]\n ldr r2,[r1]\n mov sp,r2\n "
        "pop {r4-r11,pc}\n");
}
static void fa(void)
{
    for (uint32_t i = 0; i < 4; i++) {
        sum = sum*5 + i;
        mark('a');
        swap(&a, &b);
    }
    ended = 1;
    for (;;) swap(&a, &m);
}
static void fb(void)
{
    for (;;) {
        sum = sum*3 + 1;
        mark('b');
        swap(&b, ended?&m:&a);
    }
}
static void make(struct co *c, uint64_t *top, void(*f)(void))
{
    uint32_t *s = (uint32_t*)top;
    *--s = (uint32_t)f;
    s -= 8;
    c->sp = s;
}
static volatile uint32_t t;
void systick_handler(void)
{
    t++;
}
void scenario(void)
{
    make(&a, &sa[96], fa);
    make(&b, &sb[96], fb);
    start_tick(300);
    swap(&m, &a);
    swap(&m, &b);
    stop_tick();
    show("sum", sum);
    show_trace();
}
