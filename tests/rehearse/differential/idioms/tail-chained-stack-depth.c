static volatile uint32_t depth[4], n;
static void note(void)
{
    uint32_t m = MRS("msp");
    depth[n++&3] = m;
}
static volatile uint32_t count60, count61, count62;
void irq60_handler(void)
{
    note();
    count60++;
    if (count60 < 3) pend_irq(62);
    mark('0');
}
void irq61_handler(void)
{
    note();
    count61++;
    mark('1');
}
void irq62_handler(void)
{
    note();
    count62++;
    if (count62 == 1) pend_irq(60);
    mark('2');
}
void scenario(void)
{
    enable_irq(60, 0x40);
    enable_irq(61, 0x40);
    enable_irq(62, 0x40);
    CPSID();
    pend_irq(62);
    pend_irq(61);
    pend_irq(60);
    CPSIE();
    ISB();
    mark('t');
    show_trace();
    show("60", count60);
    show("61", count61);
    show("62", count62);
}
