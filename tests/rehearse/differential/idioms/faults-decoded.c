static volatile uint32_t skip;
USED void decode(uint32_t *f, uint32_t lr)
{
    show("cfsr", CFSR);
    show("hfsr", HFSR);
    if(CFSR&0x8000) show("bfar", BFAR);
    show("lr", lr);
    CFSR = CFSR;
    HFSR = HFSR;
    f[6] += skip;
}
NAKED void hard_fault_handler(void)
{
    __asm volatile(
        "tst lr,#4\n ite eq\n mrseq r0,msp\n mrsne r0,psp\n mov r1,lr\n push {r4,lr}\n "
        "bl decode\n pop {r4,pc}\n"
    );
}
void scenario(void)
{
    skip = 4;
    __asm volatile("udf.w #1");
    skip = 2;
    __asm volatile("udf #7");
    skip = 2;
    __asm volatile("movs r0,#0x60\n lsls r0,#24\n ldr r1,[r0]\n":::"r0", "r1");
    skip = 2;
    __asm volatile("movs r0,#0x60\n lsls r0,#24\n str r0,[r0,#4]\n":::"r0");
    skip = 2;
    CCR |= CCR_DIV_ZERO_TRAP;
    skip = 4;
    __asm volatile("movs r0,#0\n udiv r1,r0,r0\n":::"r0", "r1");
    CCR &= ~CCR_DIV_ZERO_TRAP;
    skip = 4;
    __asm volatile("ldr r0,=0x38000101\n ldrd r2,r3,[r0]\n":::"r0", "r2", "r3");
    CCR |= CCR_UNALIGN_TRAP;
    skip = 2;
    __asm volatile("ldr r0,=0x38000101\n ldr r2,[r0]\n":::"r0", "r2");
    CCR &= ~CCR_UNALIGN_TRAP;
    skip = 4;
    __asm volatile("mcr p3,0,r0,c0,c0,0\n");
    say("over");
}
