static volatile uint32_t got;
void doorbell_handler(void)
{
    RING_CLEAR = 0xF;
    got = LINK->word[8];
}
void scenario(void)
{
    enable_irq(DOORBELL, 0x40);
    uint32_t s = 0;
    for (uint32_t i = 1; i <= 30; i++) {
        got = 0;
        LINK->word[9] = i;
        DMB();
        RING_OTHER = 1;
        CPSID();
        while (!got) {
            WFI();
            CPSIE();
            ISB();
            CPSID();
        }
        CPSIE();
        s += got;
    }
    show("s", s);
    LINK->word[9] = 999;
    RING_OTHER = 1;
}
