static volatile uint32_t n;
void doorbell_handler(void)
{
    RING_CLEAR = 0xF;
    n++;
    mark('d');
}
void scenario(void)
{
    enable_irq(DOORBELL, 0x40);
    CPSID();
    LINK->word[3] = 1;
    while (!LINK->word[4]) {
    }
    while (!RING_PENDING) {
    }
    show("pend", NVIC_ISPR(0));
    RING_CLEAR = 0xF;
    DSB();
    spend(10);
    show("pend", NVIC_ISPR(0));
    mark('a');
    CPSIE();
    ISB();
    mark('b');
    show("n", n);
    show_trace();
    LINK->word[5] = 1;
}
