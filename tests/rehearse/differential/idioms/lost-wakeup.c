/* The flag is read, the interrupt that sets it comes, and then the core sleeps until another one. */
static volatile uint32_t flag;
void irq60_handler(void)
{
    flag = 1;
}
void scenario(void)
{
    uint32_t seen = flag;

    enable_irq(60, 0x40);
    pend_irq(60);
    DSB();
    ISB();
    while (!seen) {
        WFI();
        seen = flag;
    }
}
