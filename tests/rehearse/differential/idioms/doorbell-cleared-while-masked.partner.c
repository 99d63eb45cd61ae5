void scenario(void)
{
    while (!LINK->word[3]) {
    }
    RING_OTHER = 1;
    LINK->word[4] = 1;
    while (!LINK->word[5]) {
    }
}
