/* A handler goes to thread mode below an active handler, and back by SVC. */
uint32_t stack[128] __attribute__((aligned(8)));
static volatile uint32_t ipsr_in, ipsr_back, active_in;
volatile uint32_t link;
USED void body(void)
{
    ipsr_in = MRS("ipsr");
    active_in = NVIC_IABR(1);
    mark('u');
    pend_irq(61);
    DSB();
    ISB();
    mark('v');
    pend_irq(62);
    DSB();
    ISB();
    mark('w');
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
    mark('0');
    SVC(0);
    ipsr_back = MRS("ipsr");
    mark('z');
}
void irq61_handler(void)
{
    mark('1');
}
void irq62_handler(void)
{
    mark('2');
}
void scenario(void)
{
    enable_irq(60, 0x80);
    enable_irq(61, 0x40);
    enable_irq(62, 0x80);
    SHPR(11) = 0x20;
    MSR("psp", (uint32_t)(stack+120));
    pend_irq(60);
    DSB();
    ISB();
    mark('t');
    show_trace();
    show("in", ipsr_in);
    show("act", active_in);
    show("back", ipsr_back);
    show("ctl", MRS("control"));
}
