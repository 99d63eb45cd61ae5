/* The other core puts code into the shared area, and other code in its place later. */
void scenario(void)
{
    uint32_t (*code)(uint32_t) = (uint32_t (*)(uint32_t))(LINK_AREA + 0x41);

    for (uint32_t turn = 1; turn < 3; turn++) {
        while (LINK->word[0] != turn) {
        }
        DMB();
        ISB();
        show("code", code(20));
        LINK->word[1] = turn;
    }
}
