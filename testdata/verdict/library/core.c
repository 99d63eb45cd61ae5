/* One core that leaves its start to the C library: picolibc's own linker script and start-up code. */
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "device.h"

extern char __stack[];
void _start(void);

uint32_t level = 2480;
uint32_t readings[32];
__attribute__((section(".preserve.link"))) volatile uint32_t kept;

static void hold(void)
{
    for (;;) {
        __asm volatile("wfi");
    }
}

union vector {
    void *stack;
    void (*handler)(void);
};

__attribute__((section(".data.init.enter"), used, aligned(128))) const union vector __interrupt_vector[16 + INTERRUPTS] = {
    [0] = { .stack = __stack },
    [1] = { .handler = _start },
    [2 ... 3] = { .handler = hold },
    [11] = { .handler = hold },
    [14 ... 15 + INTERRUPTS] = { .handler = hold },
};

#ifdef STATION
__attribute__((used)) const volatile uint32_t sampler_start_address = SAMPLER_CODE;
#endif

/* A section without bytes in the file: the rest of the line is a comment for the assembler. */
#ifndef LINK_SECTION
#define LINK_SECTION ".link,\"aw\",%nobits @"
#endif
__attribute__((section(LINK_SECTION), used)) volatile uint32_t link_words[32];

int main(void)
{
    uint32_t *copy = malloc(64);

#ifdef STATION
    *(volatile uint32_t *)VECTOR_REGISTER = sampler_start_address;
    *(volatile uint32_t *)CONTROL_REGISTER = 0u;
#endif
    for (uint32_t i = 0;; i++) {
        readings[i % 32u] = level + i;
        kept = i;
        if (copy) {
            memcpy(copy, readings, 64);
            link_words[i % 16u] = copy[i % 16u];
        }
    }
}
