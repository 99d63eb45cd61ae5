static uint32_t table[112] __attribute__((aligned(512)));
static void mine(void)
{
    mark('m');
}
void scenario(void)
{
    const uint32_t *v = (const uint32_t*)VTOR;
    for (int i = 0; i < 112; i++) table[i] = v[i];
    CPSID();
    VTOR = (uint32_t)table;
    DSB();
    CPSIE();
    table[76] = (uint32_t)mine;
    DSB();
    enable_irq(60, 0);
    pend_irq(60);
    DSB();
    ISB();
    show("v", VTOR-OWN_RAM);
    show_trace();
}
