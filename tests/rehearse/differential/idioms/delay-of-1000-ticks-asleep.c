/* More time than the rehearsal's budget has instructions, nearly all of it asleep. */
static volatile uint32_t ticks;
void systick_handler(void)
{
    ticks++;
}
void scenario(void)
{
    start_tick(25000 - 1);
    while (ticks < 1000) WFI();
    stop_tick();
    show("ticks", ticks);
}
