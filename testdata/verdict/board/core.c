/* One core whose linker script has names of its own, and whose registers are at an address that a shift makes. */
#include <stdint.h>

#include "device.h"

#define START_REGISTERS ((volatile struct start_registers *)0x58000000u)
#ifndef SAMPLER_VECTORS
#define SAMPLER_VECTORS SAMPLER_CODE
#endif
#ifndef START_VALUE
#define START_VALUE 1u
#endif
#ifndef TABLE_WORDS
#define TABLE_WORDS (16 + INTERRUPTS)
#endif

struct start_registers {
    uint32_t reserved[4], vectors, control;
};

extern uint32_t stack_top[], data_lma[], data_beg[], data_lim[], bss_beg[], bss_lim[];

__attribute__((section(".link"))) volatile uint32_t link_words[32];
int16_t scale[16] = { 1000, 1003, 1007, 1012, 1018, 1025, 1033, 1042 };
uint32_t history[24];
uint32_t total;
const uint16_t weights[12] = { 3, 1, 4, 1, 5, 9, 2, 6, 5, 3, 5, 8 };
#ifdef STATION
__attribute__((used, section(".constants"))) const volatile uint32_t sampler_start_address = SAMPLER_CODE_RUN;
#endif

void Reset_Handler(void);

void Default_Handler(void)
{
    for (;;) {
        __asm volatile("wfi");
    }
}

void SysTick_Handler(void)
{
    total++;
}

typedef void (*handler)(void);
__attribute__((used, section(".vectors"))) const handler vector_table[TABLE_WORDS] = {
    [0] = (handler)stack_top,
    [1] = Reset_Handler,
    [2 ... 3] = Default_Handler,
#if TABLE_WORDS > 16
    [11] = Default_Handler,
    [14] = Default_Handler,
    [15] = SysTick_Handler,
    [16 ... TABLE_WORDS - 1] = Default_Handler,
#endif
};

#ifdef RAM_TABLE
__attribute__((section(".ram_table"), aligned(4))) handler ram_table[16 + INTERRUPTS];
#endif

#ifdef CALLBACK
/* The secure side calls a function of the other side, and may offer one: libgcc saves what that must not see. */
#ifndef SET_BY
#define SET_BY cmse_nonsecure_entry, used
#endif
typedef void __attribute__((cmse_nonsecure_call)) callback(uint32_t level);
static callback *volatile other_side;

__attribute__((SET_BY)) void set_callback(callback *function)
{
    other_side = function;
}
#endif

#ifdef COPIES
static void copy_sampler(void)
{
    const uint32_t *from = (const uint32_t *)SAMPLER_CODE;
    for (uint32_t *to = (uint32_t *)SAMPLER_CODE_RUN; to < (uint32_t *)(SAMPLER_CODE_RUN + 0x1000); to++) {
        *to = *from++;
    }
}
#endif

void Reset_Handler(void)
{
#ifdef RAM_TABLE
    *(volatile uint32_t *)0xE000ED08u = (uint32_t)ram_table;
#endif
    const uint32_t *from = data_lma;
#ifdef DATA_LEFT
    (void)from;
#else
    for (uint32_t *to = data_beg; to < data_lim; to++) {
        *to = *from++;
    }
#endif
#ifndef BSS_LEFT
    for (uint32_t *to = bss_beg; to < bss_lim; to++) {
        *to = 0u;
    }
#endif
#ifdef RAM_TABLE
    for (uint32_t i = 0; i < 16u + INTERRUPTS; i++) {
        ram_table[i] = vector_table[i];
    }
#endif
#ifdef STATION
#ifdef COPIES
    copy_sampler();
#endif
    volatile struct start_registers *registers = START_REGISTERS;
#ifdef OTHER_TABLE
    registers->vectors = OTHER_TABLE;
#else
    registers->vectors = sampler_start_address;
#endif
    registers->control = START_VALUE;
#endif
    for (uint32_t i = 0;; i = (i + 1u) & 7u) {
        history[i] += (uint32_t)scale[i] + weights[i] + total;
        link_words[i] = history[i];
#ifdef CALLBACK
        if (other_side) {
            other_side(history[i]);
        }
#endif
    }
}
