static volatile uint32_t n;
void doorbell_handler(void)
{
    n++;
    NVIC_ICER(0) = 1u << DOORBELL;
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
    show("pend", NVIC_ISPR(0));
    RING_CLEAR = 0xF;
    show("pend", NVIC_ISPR(0));
    NVIC_ICPR(0) = 1u << DOORBELL;
    NVIC_ISER(0) = 1u << DOORBELL;
    DSB();
    ISB();
    show("n", n);
    LINK->word[5] = 1;
}
