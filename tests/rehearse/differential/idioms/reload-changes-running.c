static volatile uint32_t t;
void systick_handler(void)
{
    t++;
    if (t == 3) {
        SYST_RVR = 300;
    }
    if (t == 6) {
        SYST_CSR = 0;
    }
}
void scenario(void)
{
    start_tick(2000);
    while (t < 6) WFI();
    show("t", t);
}
