void scenario(void)
{
    for (uint32_t i = 0; i < 500; i++) {
        __atomic_fetch_add((uint32_t*)&LINK->word[5], 1, __ATOMIC_SEQ_CST);
    }
    LINK->word[6 + (NAME[1]=='t')] = 1;
    while (!LINK->word[6] || !LINK->word[7]) {
    }
    show("n", LINK->word[5]);
}
