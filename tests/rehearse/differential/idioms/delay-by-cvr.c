static void delay(uint32_t n)
{
    uint32_t s = SYST_CVR;
    while (((s-SYST_CVR)&0xFFFFFF) < n) {
    }
}
void scenario(void)
{
    SYST_RVR = 0xFFFFFF;
    SYST_CVR = 0;
    SYST_CSR = 5;
    delay(1000);
    delay(20000);
    delay(7);
    say("late");
}
