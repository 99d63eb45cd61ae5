/* Vectors and the way from reset to main. */
#include <stdint.h>

#define INTERRUPTS 16

extern const uint32_t stack_top[];
int main(void);
void reset_handler(void);
void idle_handler(void);

void reset_handler(void)
{
    main();
    for (;;) {
    }
}

void idle_handler(void)
{
    for (;;) {
    }
}

__attribute__((section(".vectors"), used, aligned(256)))
const void *const vectors[16 + INTERRUPTS] = {
    stack_top,    reset_handler, idle_handler, idle_handler,
#if __ARM_ARCH_ISA_THUMB == 2
    idle_handler, idle_handler,  idle_handler, idle_handler,
    0,            0,             0,            idle_handler,
    idle_handler, 0,             idle_handler, idle_handler,
#else
    0,            0,             0,            0,
    0,            0,             0,            idle_handler,
    0,            0,             idle_handler, idle_handler,
#endif
    [16 ... 16 + INTERRUPTS - 1] = idle_handler,
};
