/* A handler breaks the main stack pointer and returns; the fault handler puts it back and returns in its place. */
static volatile uint32_t cfsr, lr_seen, bfar;
volatile uint32_t keep;
USED void see(uint32_t lr)
{
    cfsr = CFSR;
    CFSR = cfsr;
    lr_seen = lr;
    mark('b');
}
NAKED void bus_fault_handler(void)
{
    __asm volatile(
        "ldr r0,=keep\n ldr r0,[r0]\n msr msp,r0\n push {r4,lr}\n mov r0,lr\n bl see\n "
        "pop {r4,pc}\n .ltorg\n");
}
NAKED void irq60_handler(void)
{
    __asm volatile(
        "ldr r0,=keep\n mov r1,sp\n str r1,[r0]\n ldr r1,=0x60000000\n msr msp,r1\n bx lr\n "
        ".ltorg\n");
}
void scenario(void)
{
    SHCSR |= SHCSR_BUS_ENABLE;
    enable_irq(60, 0x40);
    SHPR(5) = 0x20;
    pend_irq(60);
    DSB();
    ISB();
    mark('t');
    show_trace();
    show("cfsr", cfsr);
    show("lr", lr_seen);
    show("abr", NVIC_IABR(1));
}
