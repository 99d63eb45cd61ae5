/* Both cores push to one list with exclusives; the station counts what arrived. */
static void push(uint32_t v)
{
    uint32_t h, f;
    do {
        __asm volatile("ldaex %0,[%1]" : "=r"(h) : "r"(&LINK->word[0]) : "memory");
        __asm volatile("stlex %0,%1,[%2]" : "=&r"(f) : "r"(h+v),"r"(&LINK->word[0]) : "memory");
    } while (f);
}
void scenario(void)
{
    for (uint32_t i = 1; i <= 40; i++) {
        push(i);
        if(i%8==0) __asm volatile("yield");
    }
#ifdef STATION
    while (LINK->word[1] != 1) NOP();
    show("sum", LINK->word[0]);
#else
    DMB();
    LINK->word[1] = 1;
#endif
}
