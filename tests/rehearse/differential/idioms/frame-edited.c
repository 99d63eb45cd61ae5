USED void c(uint32_t *f)
{
    f[0] = f[0]*3 + 1;
    f[7] ^= 0xF0000000u;
    f[6] += 0;
}
NAKED void svc_handler(void)
{
    __asm volatile("mov r0,sp\n push {r4,lr}\n bl c\n pop {r4,pc}\n");
}
void scenario(void)
{
    uint32_t r;
    uint32_t apsr;
    __asm volatile(
        "movs r0,#7\n cmp r0,r0\n svc #5\n mov %0,r0\n mrs %1,apsr\n"
        : "=r"(r),"=r"(apsr) :  : "r0", "cc", "memory");
    show("r0", r);
    show("apsr", apsr>>28);
}
