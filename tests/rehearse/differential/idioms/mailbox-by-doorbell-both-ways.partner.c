static volatile uint32_t stop;
void doorbell_handler(void)
{
    RING_CLEAR = 0xF;
    uint32_t v = LINK->word[9];
    if (v == 999) {
        stop = 1;
        return;
    }
    LINK->word[8] = v*v;
    DMB();
    RING_OTHER = 1;
}
void scenario(void)
{
    enable_irq(DOORBELL, 0x20);
    while (!stop) WFI();
}
