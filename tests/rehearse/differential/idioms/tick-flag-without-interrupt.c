void scenario(void)
{
    SYST_RVR = 200;
    SYST_CVR = 0;
    SYST_CSR = 5;
    for (uint32_t i = 0; i < 4; i++) {
        while (!(SYST_CSR >> 16&1)) {
        }
        mark('a'+i);
    }
    show_trace();
    show("p", ICSR>>26&1);
}
