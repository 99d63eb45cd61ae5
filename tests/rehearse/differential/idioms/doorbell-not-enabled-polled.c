static volatile uint32_t n;
void doorbell_handler(void)
{
    RING_CLEAR = 0xF;
    n++;
}
void scenario(void)
{
    LINK->word[3] = 1;
    while (!LINK->word[4]) {
    }
    while (!(NVIC_ISPR(0) >> DOORBELL&1)) {
    }
    RING_CLEAR = 0xF;
    DSB();
    show("pend", NVIC_ISPR(0));
    enable_irq(DOORBELL, 0);
    DSB();
    ISB();
    show("n", n);
    LINK->word[5] = 1;
}
