void scenario(void)
{
    uint32_t torn = 0, last = 0;
    while (last < 300) {
        uint32_t s, a, b;
        do {
            s = LINK->word[4];
            DMB();
            a = LINK->word[5];
            b = LINK->word[6];
            DMB();
        } while ((s&1) || s != LINK->word[4]);
        if (a != ~b && s) torn++;
        last = a;
    }
    show("torn", torn);
}
