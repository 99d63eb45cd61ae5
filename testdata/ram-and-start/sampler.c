/* The second core: one block of initialised and one of cleared data, told by symbols. */
#include <stdint.h>

#include "device.h"

#ifndef VECTORS
#define VECTORS (16 + INTERRUPTS)
#endif
#ifndef READINGS
#define READINGS 32
#endif

extern uint32_t _estack, _sdata, _edata, _sbss, _ebss;
extern const uint32_t _sidata;

uint32_t scale[8] = { 1000, 1003, 1007, 1012, 1018, 1025, 1033, 1042 };
uint32_t readings[READINGS];
__attribute__((section(".link"))) volatile uint32_t link_words[32];
#ifdef LOG_AT
__attribute__((section(".log"))) volatile uint32_t log_words[16];
#endif

static void hold(void)
{
    for (;;) {
        __asm volatile("wfi");
    }
}

void reset_handler(void);

#ifdef EVEN_HANDLER
/* As an assembler file defines it that forgets .thumb_func. */
extern void forgotten_handler(void);
__asm(".section .text.forgotten, \"ax\", %progbits\n"
      ".type forgotten_handler, %object\n"
      ".global forgotten_handler\n"
      "forgotten_handler:\n"
      "        b forgotten_handler\n"
      ".previous\n");
#else
#define forgotten_handler hold
#endif

union vector {
    void *stack;
    void (*handler)(void);
};

__attribute__((section(".vectors"), used)) const union vector vector_table[VECTORS] = {
    [0] = { .stack = &_estack },
    [1] = { .handler = reset_handler },
    [2 ... 7] = { .handler = hold },
    [11 ... 12] = { .handler = hold },
    [14 ... VECTORS - 2] = { .handler = hold },
    [VECTORS - 1] = { .handler = forgotten_handler },
};

void reset_handler(void)
{
    const uint32_t *from = &_sidata;

    if (from != &_sdata) {
        for (uint32_t *to = &_sdata; to < &_edata; to++) {
            *to = *from++;
        }
    }
    for (uint32_t *to = &_sbss; to < &_ebss; to++) {
        *to = 0u;
    }
    for (uint32_t i = 0;; i++) {
        readings[i % READINGS] = scale[i % 8u] * i;
        link_words[i % 32u] = readings[i % READINGS];
#ifdef LOG_AT
        log_words[i % 16u] = i;
#endif
    }
}
