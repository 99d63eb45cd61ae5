uint32_t stack[128] __attribute__((aligned(8)));
volatile uint32_t link, i1, i2, i3;
USED void body(void)
{
    i2 = ICSR;
    SVC(1);
    for (;;) {
    }
}
NAKED void svc_handler(void)
{
    __asm volatile(
        "mrs r0,psp\n tst lr,#4\n it eq\n mrseq r0,msp\n ldr r1,[r0,#24]\n ldrb r1,[r1,#-2]\n "
        "cbnz r1,1f\n ldr r2,=link\n str lr,[r2]\n ldr r0,=stack+480\n ldr r1,=body\n "
        "str r1,[r0,#24]\n mov r1,#0x01000000\n str r1,[r0,#28]\n str r1,[r0,#20]\n "
        "msr psp,r0\n ldr lr,=0xfffffffd\n bx lr\n 1: ldr r2,=link\n ldr lr,[r2]\n bx lr\n "
        ".ltorg\n");
}
void irq60_handler(void)
{
    i1 = ICSR;
    SVC(0);
    i3 = ICSR;
}
void scenario(void)
{
    enable_irq(60, 0x80);
    SHPR(11) = 0x20;
    pend_irq(60);
    DSB();
    ISB();
    show("i", i1);
    show("i", i2);
    show("i", i3);
    show("i", ICSR);
}
