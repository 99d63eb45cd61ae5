/* SHCSR shows that HardFault and NMI are active (DDI 0553, "System Handler Control and State Register"). */
static volatile uint32_t seen[2];

USED static void look(uint32_t *frame)
{
    seen[0] = SHCSR;
    frame[6] += 2;
    ICSR = ICSR_NMI_SET;
    DSB();
}
NAKED void hard_fault_handler(void)
{
    __asm volatile("mov r0, sp\n b look");
}
void nmi_handler(void) { seen[1] = SHCSR; }
void scenario(void)
{
    __asm volatile("udf #0");
    show("hard fault", seen[0]);
    show("nmi", seen[1]);
    show("none", SHCSR);
}
