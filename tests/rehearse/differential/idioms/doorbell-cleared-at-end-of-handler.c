static volatile uint32_t n;
void doorbell_handler(void)
{
    n++;
    show("act", NVIC_IABR(0));
    show("pend", NVIC_ISPR(0));
    RING_CLEAR = 0xF;
    DSB();
}
void scenario(void)
{
    enable_irq(DOORBELL, 0x40);
    LINK->word[3] = 1;
    while (!n) {
    }
    spend(50);
    show("n", n);
    LINK->word[5] = 1;
}
