/* Arrays of a length that is known at run time, in a recursion, in a loop and by alloca. */
__attribute__((noinline)) static uint32_t fill(uint32_t n)
{
    volatile uint32_t a[n];
    for (uint32_t i = 0; i < n; i++) a[i] = i*n;
    return a[n-1] + (n > 3 ? fill(n-3):0);
}
__attribute__((noinline)) static uint32_t twice(uint32_t n)
{
    uint32_t s = 0;
    for (uint32_t k = 1; k < n; k++) {
        volatile uint8_t a[k*5];
        a[k*5-1] = (uint8_t)k;
        s += a[k*5-1];
        {
            volatile uint16_t b[k];
            b[k-1] = 3;
            s += b[k-1];
        }
    }
    return s;
}
__attribute__((noinline)) static uint32_t by_alloca(uint32_t n)
{
    volatile uint8_t *p = __builtin_alloca(n);
    p[0] = 7;
    p[n-1] = 9;
    volatile uint8_t *q = __builtin_alloca(n / 2);
    q[n / 2-1] = 3;
    return p[0] + p[n-1] + q[n / 2-1];
}
void scenario(void)
{
    show("f", fill(24));
    show("t", twice(20));
    show("a", by_alloca(200));
}
