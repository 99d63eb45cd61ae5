static volatile uint32_t dog;
void systick_handler(void)
{
    if (++dog > 5) {
        default_handler();
    }
}
void scenario(void)
{
    start_tick(500);
    for (int i = 0; i < 40; i++) {
        spend(30);
        dog = 0;
    }
    say("stuck");
    while (dog < 100) {
    }
}
