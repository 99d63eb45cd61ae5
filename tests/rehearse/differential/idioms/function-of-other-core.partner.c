USED uint32_t lent(uint32_t value) { return value * 7 + 3; }
void scenario(void)
{
    LINK->word[1] = (uint32_t)lent;
    DMB();
    LINK->word[0] = 1;
    while (!LINK->word[2]) {
    }
}
