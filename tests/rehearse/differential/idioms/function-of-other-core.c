/* The other core lends a function of its own build, which this core calls where it is in flash. */
void scenario(void)
{
    uint32_t (*lent)(uint32_t);

    while (!LINK->word[0]) {
    }
    DMB();
    lent = (uint32_t (*)(uint32_t))LINK->word[1];
    show("lent", lent(5));
    LINK->word[2] = 1;
}
