static volatile uint32_t xpsr, at;
USED void c(uint32_t *f)
{
    xpsr = f[7];
    at = (uint32_t)f;
}
NAKED void svc_handler(void)
{
    __asm volatile("mov r0,sp\n push {r4,lr}\n bl c\n pop {r4,pc}\n");
}
void scenario(void)
{
    uint32_t before, after;
    __asm volatile(
        "mov r4,sp\n bic r5,r4,#7\n sub r5,#4\n mov sp,r5\n svc #0\n mov %1,sp\n mov %0,r5\n "
        "mov sp,r4\n"
        : "=&r"(before),"=&r"(after) :  : "r4", "r5", "memory");
    show("same", before==after);
    show("padded", xpsr>>9&1);
    show("gap", before-at);
    __asm volatile(
        "mov r4,sp\n bic r5,r4,#7\n mov sp,r5\n svc #0\n mov %1,sp\n mov %0,r5\n mov sp,r4\n"
        : "=&r"(before),"=&r"(after) :  : "r4", "r5", "memory");
    show("same", before==after);
    show("padded", xpsr>>9&1);
    show("gap", before-at);
}
