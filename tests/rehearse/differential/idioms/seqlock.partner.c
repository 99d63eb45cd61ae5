void scenario(void)
{
    for (uint32_t i = 0; i <= 300; i++) {
        LINK->word[4]++;
        DMB();
        LINK->word[5] = i;
        spend(i % 9);
        LINK->word[6] = ~i;
        DMB();
        LINK->word[4]++;
        spend(3);
    }
}
