static volatile uint32_t word = 1;
static volatile uint32_t calls;
void svc_handler(void)
{
    calls++;
}
void scenario(void)
{
    uint32_t v, f1, f2, f3;
    __asm volatile("ldrex %0,[%1]" : "=r"(v) : "r"(&word) : "memory");
    SVC(0);
    __asm volatile("strex %0,%1,[%2]" : "=&r"(f1) : "r"(v+1),"r"(&word) : "memory");
    __asm volatile("ldaex %0,[%1]" : "=r"(v) : "r"(&word) : "memory");
    __asm volatile("stlex %0,%1,[%2]" : "=&r"(f2) : "r"(v+2),"r"(&word) : "memory");
    __asm volatile("ldrexh %0,[%1]" : "=r"(v) : "r"(&word) : "memory");
    __asm volatile("clrex");
    __asm volatile("strexh %0,%1,[%2]" : "=&r"(f3) : "r"(v+4),"r"(&word) : "memory");
    show("f", f1*100+f2*10+f3);
    show("w", word);
    show("c", calls);
}
