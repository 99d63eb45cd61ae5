static volatile uint32_t n;
void systick_handler(void)
{
    SYST_CSR = 0;
    n++;
}
void scenario(void)
{
    for (uint32_t i = 0; i < 5; i++) {
        SYST_RVR = 400 + i*37;
        SYST_CVR = 0;
        SYST_CSR = 7;
        while (n == i) WFI();
    }
    show("n", n);
    show("csr", SYST_CSR&7);
    ICSR = ICSR_SYSTICK_CLEAR;
    spend(500);
    show("n", n);
}
