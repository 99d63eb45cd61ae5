#define ME (NAME[1]=='t')
void scenario(void)
{
    volatile uint32_t *want = &LINK->word[4], *turn = &LINK->word[6];
    for (uint32_t i = 0; i < 150; i++) {
        want[ME] = 1;
        *turn = !ME;
        DMB();
        while (want[!ME] && *turn == !ME) {
        }
        uint32_t v = LINK->word[7];
        spend(i % 5);
        LINK->word[7] = v + 1;
        DMB();
        want[ME] = 0;
    }
    LINK->word[10 + ME] = 1;
    while (!(LINK->word[10] && LINK->word[11])) {
    }
    show("sum", LINK->word[7]);
}
