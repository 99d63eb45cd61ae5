void scenario(void)
{
    SCR |= 1u << 4;
    CPSID();
    SEV();
    WFE();
    /* event register clear */ pend_irq(60);
    WFE();
    mark('w');
    NVIC_ICPR(1) = 1u << 28;
    show("p", NVIC_ISPR(1));
    SCR = 0;
    CPSIE();
    show_trace();
}
