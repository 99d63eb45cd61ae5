static uint32_t add_(uint32_t a, uint32_t b)
{
    return a + b;
}
static uint32_t mul(uint32_t a, uint32_t b)
{
    return a*b+MRS("ipsr");
}
NAKED void svc_handler(void)
{
    __asm volatile(
        "tst lr,#4\n ite eq\n mrseq r0,msp\n mrsne r0,psp\n ldr r1,[r0,#24]\n "
        "ldrb r1,[r1,#-2]\n cbnz r1,1f\n push {r0,lr}\n ldm r0,{r0-r3,r12}\n blx r12\n "
        "pop {r12,lr}\n stm r12,{r0-r1}\n bx lr\n 1: movs r2,#99\n str r2,[r0]\n bx lr\n"
    );
}
static uint32_t call(uint32_t (*f)(uint32_t, uint32_t), uint32_t a, uint32_t b)
{
    register uint32_t r0 __asm("r0")=a;
    register uint32_t r1 __asm("r1")=b;
    register void *r12 __asm("r12")=(void*)f;
    __asm volatile("svc #0":"+r"(r0),"+r"(r1),"+r"(r12)::"r2", "r3", "lr", "memory");
    return r0;
}
void scenario(void)
{
    show("add", call(add_,3,4));
    show("mul", call(mul,3,4));
    uint32_t x;
    __asm volatile("svc #7\n mov %0,r0":"=r"(x)::"r0", "memory");
    show("x", x);
}
