static volatile uint32_t n;
void systick_handler(void)
{
    n++;
}
void scenario(void)
{
    CPSID();
    start_tick(100);
    spend(200);
    SYST_CSR = 0;
    show("p", ICSR>>26&1);
    ICSR = ICSR_SYSTICK_CLEAR;
    show("p", ICSR>>26&1);
    CPSIE();
    ISB();
    show("n", n);
}
