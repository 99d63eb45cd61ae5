void rest(void);
static uint64_t pad[64], st[32];
static volatile uint32_t sp, cf, lr, first, psp;
USED void note(uint32_t p, uint32_t l)
{
    cf = CFSR;
    lr = l;
    psp = p;
    MSR("psplim", 0);
}
NAKED void usage_fault_handler(void)
{
    __asm volatile(
        "mrs r0,psp\n mov r1,lr\n push {r4,lr}\n bl note\n ldr r0,=st+256-32\n ldr r1,=after\n "
        "str r1,[r0,#24]\n mov r1,#0x01000000\n str r1,[r0,#28]\n msr psp,r0\n mvn r0,#2\n "
        "pop {r4,lr}\n bx r0\n"
    );
}
USED void after(void)
{
    show("cfsr", cf);
    show("lr", lr);
    show("at", psp-(uint32_t)st);
#ifdef STATION
    while (!LINK->sampler_done) {
    }
    say("done");
#else
    say("done");
    DMB();
    LINK->sampler_done = 1;
#endif
    rest();
}
void scenario(void)
{
    (void)pad;
    SHCSR |= SHCSR_USAGE_ENABLE;
    __asm volatile(
        "msr psp,%0\n msr psplim,%1\n movs r0,#2\n msr control,r0\n isb\n " BELOW "\n b .\n"
        : : "r"((uint32_t)st+ROOM),"r"(st) : "r0", "memory");
}
