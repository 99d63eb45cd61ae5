static volatile uint32_t sel = 3;
void scenario(void)
{
    uint32_t a = sel, p;
    __asm volatile(
        "cmp %1,#5\n itte eq\n moveq %1,#9\n moveq %1,#7\n addne %1,#0x42\n msr psp,%1\n "
        "mrs %0,psp\n"
        : "=r"(p),"+r"(a) :  : "cc", "memory");
    show("p", p);
    __asm volatile(
        "cmp %1,#0x45\n it eq\n msreq psp,%2\n mrs %0,psp\n"
        : "=r"(p) : "r"(a),"r"(0x1003) : "cc", "memory");
    show("p", p);
}
