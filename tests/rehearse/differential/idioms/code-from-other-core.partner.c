void scenario(void)
{
    volatile uint16_t *code = (volatile uint16_t *)(LINK_AREA + 0x40);

    code[0] = 0x1C80; /* adds r0, r0, #2 */
    code[1] = 0x4770; /* bx lr */
    DMB();
    LINK->word[0] = 1;
    while (LINK->word[1] != 1) {
    }
    code[0] = 0x1E40; /* subs r0, r0, #1 */
    DMB();
    LINK->word[0] = 2;
}
