static volatile uint32_t cfsr, hfsr, link, abr;
USED void see(uint32_t lr)
{
    cfsr = CFSR;
    CFSR = cfsr;
    hfsr = HFSR;
    HFSR = hfsr;
    link = lr;
    abr = NVIC_IABR(1);
    mark('h');
}
NAKED void hard_fault_handler(void)
{
    __asm volatile(
        "push {r4,lr}\n mov r0,lr\n bl see\n pop {r4,lr}\n ldr r0,=0xfffffff9\n bx r0\n "
        ".ltorg\n");
}
NAKED void usage_fault_handler(void)
{
    __asm volatile("b hard_fault_handler\n");
}
NAKED void irq60_handler(void)
{
    __asm volatile("ldr r0,=0xfffffff1\n bx r0\n .ltorg\n");
}
void scenario(void)
{
    SHCSR |= SHCSR_USAGE_ENABLE;
    enable_irq(60, 0);
    pend_irq(60);
    DSB();
    ISB();
    mark('t');
    show_trace();
    show("cfsr", cfsr);
    show("hfsr", hfsr);
    show("lr", link);
    show("abr", abr);
}
