static volatile uint32_t n, m, in;
void systick_handler(void)
{
    n++;
    if (in) m++;
    if (n >= 30) stop_tick();
}
void irq60_handler(void)
{
    in = 1;
    while (n < 10) NOP();
    in = 0;
}
void scenario(void)
{
    SHPR(15) = 0x20;
    enable_irq(60, 0x80);
    start_tick(299);
    pend_irq(60);
    DSB();
    ISB();
    show("n", n>=10);
    show("m", m>5);
    while (n < 30) NOP();
    show("n", n);
}
