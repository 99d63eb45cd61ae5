static volatile uint32_t n;
USED void svc_c(void)
{
    n++;
}
NAKED void svc_handler(void)
{
    __asm volatile("push {r4,lr}\n bl svc_c\n pop {r4,pc}\n");
}
static volatile uint32_t sel;
void scenario(void)
{
    for (uint32_t i = 0; i < 4; i++) {
        uint32_t a = 0, b = 0;
        sel = i&1;
        __asm volatile(
            "cmp %2,#0\n ittee eq\n svceq #1\n addeq %0,#1\n addne %1,#1\n svcne #2\n"
            : "+r"(a),"+r"(b) : "r"(sel) : "cc", "memory");
        show("a", a);
        show("b", b);
        show("n", n);
    }
}
