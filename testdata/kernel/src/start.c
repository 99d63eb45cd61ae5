/* From reset to main(), the vector table, and the serial port. */
#include "board.h"

extern uint32_t stack_top;
extern uint32_t data_start;
extern uint32_t data_end;
extern const uint32_t data_stored;
extern uint32_t bss_start;
extern uint32_t bss_end;
extern void (*const init_array_start[])(void);
extern void (*const init_array_end[])(void);

void reset_handler(void);
void unexpected_exception(void);
void svc_handler(void);
void pendsv_handler(void);
void systick_handler(void);
int main(void);

union vector {
    void *stack;
    void (*handler)(void);
    uint32_t word;
};

#define ANY { .handler = unexpected_exception }

__attribute__((section(".vectors"), used)) const union vector vector_table[16 + INTERRUPTS] = {
    { .stack = &stack_top }, { .handler = reset_handler }, ANY, ANY,
#if __ARM_ARCH >= 7 && !defined(__ARM_ARCH_8M_BASE__)
    ANY, ANY, ANY,
#else
    { .word = 0 }, { .word = 0 }, { .word = 0 },
#endif
    { .word = 0 }, { .word = 0 }, { .word = 0 }, { .word = 0 },
    { .handler = svc_handler }, { .word = 0 }, { .word = 0 }, { .handler = pendsv_handler },
    { .handler = systick_handler },
    ANY, ANY, ANY, ANY, ANY, ANY, { .handler = doorbell_handler }, ANY,
    ANY, ANY, ANY, ANY, ANY, ANY, ANY, ANY,
};

__attribute__((used, noinline)) void unexpected_exception(void)
{
    for (;;) {
    }
}

__attribute__((used)) void reset_handler(void)
{
    const uint32_t *from = &data_stored;

    for (uint32_t *to = &data_start; to < &data_end; to++) {
        *to = *from++;
    }
    for (uint32_t *to = &bss_start; to < &bss_end; to++) {
        *to = 0u;
    }
#ifdef __ARM_FP
    REGISTER(0xE000ED88) |= 0xFu << 20;
    __asm volatile("dsb 0xF\n\tisb 0xF" ::: "memory");
#endif
    REGISTER(OWN_SERIAL + 16) = 16u; /* divider */
    REGISTER(OWN_SERIAL + 8) = 1u;   /* transmitter on */
    for (void (*const *each)(void) = init_array_start; each < init_array_end; each++) {
        (*each)();
    }
    main();
    for (;;) {
        __asm volatile("wfi" ::: "memory");
    }
}

void put_character(char character)
{
    while ((REGISTER(OWN_SERIAL + 4) & 1u) != 0u) {
    }
    REGISTER(OWN_SERIAL) = (uint8_t)character;
}

void put_text(const char *text)
{
    while (*text != '\0') {
        put_character(*text++);
    }
}

void put_number(uint32_t number)
{
    char digits[10];
    uint32_t count = 0;

    do {
        digits[count++] = (char)('0' + number % 10u);
        number /= 10u;
    } while (number != 0u);
    while (count > 0u) {
        put_character(digits[--count]);
    }
}

void put_hex(uint32_t number)
{
    for (uint32_t shift = 32; shift > 0u; shift -= 4u) {
        put_character("0123456789abcdef"[(number >> (shift - 4u)) & 0xFu]);
    }
}
