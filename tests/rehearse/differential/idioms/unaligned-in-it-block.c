/* A handler emulates unaligned pairs in if-then blocks: it finds ITSTATE, and what was executed before. */
static volatile uint32_t words[8] __attribute__((aligned(8))) = {1, 2, 3, 4, 5, 6, 7, 8};
USED void emulate(uint32_t *frame)
{
    show("it", frame[7] & 0x0600FC00);
    show("r0", frame[0]);
    CFSR = 0xFFFFFFFF;
    frame[6] += 4;
    frame[7] &= ~0x0600FC00u; /* what is left of the block is skipped or not by what follows */
}
NAKED void usage_fault_handler(void)
{
    __asm volatile("mrs r0,msp\n b emulate\n");
}
#define BLOCK(text, compared) \
    do { \
        register uint32_t a_ __asm("r0") = 0; \
        register uint32_t b_ __asm("r1") = (uint32_t)words + 2; \
        __asm volatile("cmp %2,#1\n" text : "+r"(a_), "+r"(b_) : "r"(compared) : "r2", "r3", "cc", "memory"); \
        show("after", a_); \
        show("moved", b_ - (uint32_t)words); \
    } while (0)
void scenario(void)
{
    SHCSR |= SHCSR_USAGE_ENABLE;
    DSB();
    for (uint32_t i = 0; i < 3; i++) {
        BLOCK("it ne\n ldrdne r2,r3,[r1]\n", i);
        BLOCK("itt eq\n addeq r0,#3\n ldrdeq r2,r3,[r1]\n", i);
        BLOCK("ittet ne\n addne r0,#2\n cmpne r0,#9\n addeq r0,#4\n strdne r2,r3,[r1]\n", i);
        BLOCK("itet ne\n addne r0,#5\n addeq r1,#2\n ldmiane r1!,{r2,r3}\n", i);
    }
}
