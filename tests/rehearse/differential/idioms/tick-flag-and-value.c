void scenario(void)
{
    SYST_RVR = 999;
    SYST_CVR = 0;
    SYST_CSR = 5;
    spend(400);
    uint32_t a = SYST_CSR, b = SYST_CSR;
    show("flag", a>>16&1);
    show("again", b>>16&1);
    SYST_CVR = 5;
    show("f", SYST_CSR>>16&1);
    uint32_t v = SYST_CVR;
    show("le", v<=999);
    SYST_CSR = 0;
    spend(1000);
    show("stopped", SYST_CVR==SYST_CVR);
    show("rvr", SYST_RVR);
    SYST_RVR = 0xFFFFFFFF;
    show("rvr", SYST_RVR);
}
