/* The first core: clears and copies by the tables of its linker script, then starts the second core. */
#include <stdint.h>

#include "device.h"

#ifndef SAMPLER_VECTORS
#if COPIES_SAMPLER
#define SAMPLER_VECTORS SAMPLER_RUN
#else
#define SAMPLER_VECTORS SAMPLER_CODE
#endif
#endif
#ifndef COPY_FROM
#define COPY_FROM SAMPLER_CODE
#endif
#ifndef COPY_TO
#define COPY_TO SAMPLER_RUN
#endif
#ifndef COPY_SIZE
#define COPY_SIZE 0x200
#endif
#ifndef FIRST_STACK
#define FIRST_STACK __StackTop
#endif

struct copied {
    const uint32_t *from;
    uint32_t *to;
    uint32_t words;
};

struct cleared {
    uint32_t *from;
    uint32_t words;
};

extern const struct copied __copy_table_start__[], __copy_table_end__[];
extern const struct cleared __zero_table_start__[], __zero_table_end__[];
extern uint32_t FIRST_STACK;

#define CONSTANT __attribute__((section(".constants"), used)) const volatile uint32_t

#if !COMPUTES_VECTORS
CONSTANT sampler_start_address = SAMPLER_VECTORS;
#endif
#if COPIES_SAMPLER
CONSTANT sampler_stored_at = COPY_FROM;
CONSTANT sampler_runs_at = COPY_TO;
CONSTANT sampler_size = COPY_SIZE;
#endif

uint32_t level_offset = 2480;
uint32_t readings[64];
__attribute__((section(".link"))) volatile uint32_t link_words[32];
#ifdef TIDES_AT
__attribute__((section(".tides"))) volatile uint32_t tides[32];
#endif

static void hold(void)
{
    for (;;) {
        __asm volatile("wfi");
    }
}

void reset_handler(void);

union vector {
    void *stack;
    void (*handler)(void);
};

__attribute__((section(".vectors"), used)) const union vector vector_table[16 + INTERRUPTS] = {
    [0] = { .stack = &FIRST_STACK },
    [1] = { .handler = reset_handler },
    [2 ... 7] = { .handler = hold },
    [11 ... 12] = { .handler = hold },
    [14 ... 15 + INTERRUPTS] = { .handler = hold },
};

/* Runs from RAM: the flash cannot be read while it is written. */
__attribute__((section(".ramcode"), noinline)) static uint32_t smoothed(uint32_t reading)
{
    static uint32_t kept;

    kept += reading;
    return kept / 2u;
}

static void start_sampler(void)
{
#if COPIES_SAMPLER
    const volatile uint8_t *from = (const volatile uint8_t *)sampler_stored_at;
    volatile uint8_t *to = (volatile uint8_t *)sampler_runs_at;

    for (uint32_t i = 0; i < sampler_size; i++) {
        to[i] = from[i];
    }
#endif
#if COMPUTES_VECTORS
    uint32_t bank = *(volatile uint32_t *)CONTROL_REGISTER >> 8;

    *(volatile uint32_t *)VECTOR_REGISTER = bank << 14;
#else
    *(volatile uint32_t *)VECTOR_REGISTER = sampler_start_address;
#endif
    *(volatile uint32_t *)CONTROL_REGISTER = 0u;
}

void reset_handler(void)
{
    for (const struct copied *each = __copy_table_start__; each < __copy_table_end__; each++) {
        for (uint32_t i = 0; i < each->words; i++) {
            each->to[i] = each->from[i];
        }
    }
    for (const struct cleared *each = __zero_table_start__; each < __zero_table_end__; each++) {
        for (uint32_t i = 0; i < each->words; i++) {
            each->from[i] = 0u;
        }
    }
    start_sampler();
    for (uint32_t i = 0;; i++) {
        readings[i % 64u] = smoothed(link_words[i % 32u]) + level_offset;
#ifdef TIDES_AT
        tides[i % 32u] = readings[i % 64u];
#endif
    }
}
