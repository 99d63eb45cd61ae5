void nmi_handler(void)
{
    __asm volatile("udf #1\n" :  :  : "memory");
}
void hard_fault_handler(void)
{
    say("never");
    for (;;) WFI();
}
void scenario(void)
{
    ICSR = ICSR_NMI_SET;
    DSB();
    ISB();
}
