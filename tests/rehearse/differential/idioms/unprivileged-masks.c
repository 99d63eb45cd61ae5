void irq60_handler(void)
{
    mark('h');
}
NAKED void svc_handler(void)
{
    __asm volatile("mrs r0,control\n bic r0,#1\n msr control,r0\n isb\n bx lr\n");
}
void scenario(void)
{
    enable_irq(60, 0x40);
    uint32_t p, c;
    __asm volatile(
        "movs r0,#1\n msr control,r0\n isb\n cpsid i\n mrs %0,primask\n msr basepri,r0\n "
        "mrs %1,control\n svc #0\n"
        : "=&r"(p),"=&r"(c) :  : "r0", "memory");
    show("p", p);
    show("c", c);
    show("pm", MRS("primask"));
    show("bp", MRS("basepri"));
    pend_irq(60);
    DSB();
    ISB();
    show_trace();
}
