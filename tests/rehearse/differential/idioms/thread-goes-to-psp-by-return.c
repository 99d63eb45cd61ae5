static uint64_t stk[128];
NAKED void svc_handler(void)
{
    __asm volatile(
        "ldr r0,=stk+1024\n subs r0,#32\n mov r1,sp\n ldmia r1!,{r2,r3}\n stmia r0!,{r2,r3}\n "
        "ldmia r1!,{r2,r3}\n stmia r0!,{r2,r3}\n ldmia r1!,{r2,r3}\n stmia r0!,{r2,r3}\n "
        "ldmia r1!,{r2,r3}\n stmia r0!,{r2,r3}\n subs r0,#32\n msr psp,r0\n mov sp,r1\n "
        "mvn lr,#2\n bx lr\n");
}
void scenario(void)
{
    uint32_t c0, c1, inside;
    (void)stk;
    uint32_t msp=MRS("msp");
    __asm volatile(
        "mrs %0,control\n svc #0\n mrs %1,control\n mov %2,sp\n movs r0,#0\n msr control,r0\n "
        "isb\n"
        : "=&r"(c0),"=&r"(c1),"=&r"(inside) :  : "r0", "r1", "r2", "r3", "memory");
    show("c0", c0&3);
    show("c1", c1&3);
    show("in", inside==(uint32_t)stk+1024);
    show("msp", MRS("msp")==msp);
}
