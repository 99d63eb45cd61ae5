/* Each core waits for the other one, this one under ticks that change nothing. */
void systick_handler(void)
{
}
void scenario(void)
{
    start_tick(3000);
    while (!LINK->word[9]) WFE();
}
