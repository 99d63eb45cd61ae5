USED uint32_t lent(uint32_t value) { return value == 5 ? *(volatile uint32_t *)0xA0000000 : value; }
void scenario(void)
{
    LINK->word[1] = (uint32_t)lent;
    DMB();
    LINK->word[0] = 1;
    while (!LINK->word[2]) {
    }
}
