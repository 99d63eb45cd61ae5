/* Two vector tables in RAM; a handler moves to the other one. */
static uint32_t t1[112] __attribute__((aligned(512))), t2[112] __attribute__((aligned(512)));
static void h1(void)
{
    mark('1');
    VTOR = (uint32_t)t2;
}
static void h2(void)
{
    mark('2');
    VTOR = (uint32_t)t1;
}
void scenario(void)
{
    for (int i = 0; i < 112; i++) t1[i] = t2[i] = ((const uint32_t*)OWN_CODE)[i];
    t1[76] = (uint32_t)h1;
    t2[76] = (uint32_t)h2;
    uint32_t old = VTOR;
    VTOR = (uint32_t)t1;
    DSB();
    enable_irq(60, 0x40);
    for (int i = 0; i < 5; i++) {
        pend_irq(60);
        DSB();
        ISB();
    }
    VTOR = old;
    DSB();
    show_trace();
}
