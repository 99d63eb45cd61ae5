static volatile uint32_t n, sum;
__attribute__((noinline)) static uint32_t a1(uint32_t x)
{
    return x*3 + 1;
}
__attribute__((noinline)) static uint32_t a2(uint32_t x)
{
    return a1(x)^a1(x + 1);
}
void systick_handler(void)
{
    n++;
    sum += a2(n);
    if (n == 40) stop_tick();
}
void scenario(void)
{
    uint32_t t = 0;
    start_tick(149);
    while (n < 40) t++;
    show("n", n);
    show("sum", sum);
    mark(t > 100?'y':'n');
    show_trace();
}
