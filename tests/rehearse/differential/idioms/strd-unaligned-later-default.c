static uint8_t bytes[64] __attribute__((aligned(8)));
void scenario(void)
{
    for (uint32_t i = 0; i < 12; i++) {
        register uint32_t r0 __asm("r0")=(uint32_t)bytes+(i<9?i*4:i*5);
        register uint32_t r2 __asm("r2")=i;
        register uint32_t r3 __asm("r3")=i*2;
        __asm volatile("strd r2,r3,[r0]\n" :  : "r"(r0),"r"(r2),"r"(r3) : "memory");
    }
    show("sum", bytes[4]);
}
