/* One core that sets registers in one of many forms, to the right value or another one (see corpus.py). */
#include <stddef.h>
#include <stdint.h>

#include "device.h"

#ifndef FORM
#define FORM 1
#endif
#ifndef VTOR
#define VTOR OWN_CODE
#endif
#ifndef START_VALUE
#define START_VALUE 1u
#endif
#ifndef START_TABLE
#define START_TABLE SAMPLER_CODE
#endif

struct control_block {
    uint32_t cpuid, icsr, vtor, aircr, scr, ccr, shpr[3], shcsr, cfsr, hfsr, dfsr, mmfar, bfar, afsr, pfr[2], dfr, adr;
    uint32_t mmfr[4], isar[5], reserved[5], cpacr;
};
struct start_registers {
    uint32_t reserved[4], vectors, control;
};
#define CONTROL_BLOCK ((volatile struct control_block *)0xE000ED00u)
#define START_REGISTERS ((volatile struct start_registers *)0x58000000u)

extern uint32_t stack_top[], data_lma[], data_beg[], data_lim[], bss_beg[], bss_lim[];
__attribute__((section(".link"))) volatile uint32_t link_words[32];
volatile uint32_t scale[10] = { 1000, 1003, 1007, 1012, 1018, 1025, 1033, 1042, 1052, 1063 };
uint32_t history[24];
#ifdef STATION
__attribute__((used, section(".constants"))) const volatile uint32_t sampler_start_address = SAMPLER_CODE;
#endif

void Reset_Handler(void);
int main(void);

void Default_Handler(void)
{
    for (;;) {
        __asm volatile("wfi");
    }
}

#ifdef RESET_AT_MAIN
#define RESET main
#else
#define RESET Reset_Handler
#endif
typedef void (*handler)(void);
__attribute__((used, section(".vectors"))) const handler vector_table[16 + INTERRUPTS] = {
    [0] = (handler)stack_top,
    [1] = (handler)RESET,
    [2 ... 3] = Default_Handler,
    [11] = Default_Handler,
    [14 ... 16 + INTERRUPTS - 1] = Default_Handler,
};

#if FORM == 1 /* addresses as numbers */
#define SET_VTOR(value) (*(volatile uint32_t *)0xE000ED08u = (value))
#define ENABLE() (*(volatile uint32_t *)0xE000ED88u |= 0xFu << 20)
#define START(table, value) (*(volatile uint32_t *)0x58000010u = (table), *(volatile uint32_t *)0x58000014u = (value))
#elif FORM == 2 /* members of a structure at a constant */
#define SET_VTOR(value) (CONTROL_BLOCK->vtor = (value))
#define ENABLE() (CONTROL_BLOCK->cpacr |= 0xFu << 20)
#define START(table, value) (START_REGISTERS->vectors = (table), START_REGISTERS->control = (value))
#elif FORM == 3 /* a structure as an argument */
__attribute__((noinline)) static void set_vtor(volatile struct control_block *block, uint32_t value)
{
    block->vtor = value;
}
__attribute__((noinline)) static void enable(volatile struct control_block *block, uint32_t units)
{
    for (uint32_t unit = 10; unit < 10 + units; unit++) {
        block->cpacr |= 3u << 2 * unit;
    }
}
__attribute__((noinline)) static void start(volatile struct start_registers *registers, uint32_t table, uint32_t value)
{
    registers->vectors = table;
    registers->control = value;
}
#define SET_VTOR(value) set_vtor(CONTROL_BLOCK, value)
#define ENABLE() enable(CONTROL_BLOCK, 2)
#define START(table, value) start(START_REGISTERS, table, value)
#elif FORM == 4 /* a pointer that is a variable */
static volatile struct control_block *volatile block = CONTROL_BLOCK;
static volatile struct start_registers *volatile registers = START_REGISTERS;
#define SET_VTOR(value) (block->vtor = (value))
#define ENABLE() (block->cpacr |= 0xFu << 20)
#define START(table, value) (registers->vectors = (table), registers->control = (value))
#elif FORM == 5 /* a table of addresses and values */
struct setting {
    volatile uint32_t *at;
    uint32_t ones;
};
__attribute__((noinline)) static void apply(const struct setting *first, uint32_t count)
{
    for (uint32_t i = 0; i < count; i++) {
        *first[i].at = first[i].ones;
    }
}
#define SET_VTOR(value) do { static const struct setting one[] = { { &CONTROL_BLOCK->vtor, value } }; apply(one, 1); } while (0)
#define ENABLE() do { static const struct setting one[] = { { &CONTROL_BLOCK->cpacr, 0xFu << 20 } }; apply(one, 1); } while (0)
#define START(table, value) do { static const struct setting both[] = { { &START_REGISTERS->vectors, table }, \
    { &START_REGISTERS->control, value } }; apply(both, 2); } while (0)
#elif FORM == 6 /* a pointer that a function returns */
__attribute__((noinline)) static volatile uint32_t *place_of(uint32_t number)
{
    static const uint32_t places[4] = { 0xE000ED08u, 0xE000ED88u, 0x58000010u, 0x58000014u };
    return (volatile uint32_t *)places[number];
}
#define SET_VTOR(value) (*place_of(0) = (value))
#define ENABLE() (*place_of(1) |= 0xFu << 20)
#define START(table, value) (*place_of(2) = (table), *place_of(3) = (value))
#elif FORM == 7 /* bits of a base and an index */
__attribute__((noinline)) static void write(uint32_t base, uint32_t index, uint32_t value)
{
    ((volatile uint32_t *)(base << 8))[index] = value;
}
#define SET_VTOR(value) write(0xE000EDu, 2, value)
#define ENABLE() write(0xE000EDu, 34, 0xFu << 20)
#define START(table, value) (write(0x580000u, 4, table), write(0x580000u, 5, value))
#elif FORM == 8 /* bits that a function changes */
__attribute__((noinline)) static void change(volatile uint32_t *at, uint32_t zeros, uint32_t ones)
{
    *at = (*at & ~zeros) | ones;
}
#define SET_VTOR(value) (CONTROL_BLOCK->vtor = (value))
#define ENABLE() change(&CONTROL_BLOCK->cpacr, 0, 0xFu << 20)
#define START(table, value) (START_REGISTERS->vectors = (table), change(&START_REGISTERS->control, 3u, value))
#elif FORM == 9 /* bit fields */
struct fields {
    uint32_t low : 2, middle : 18, units : 4, high : 8;
};
#define SET_VTOR(value) (CONTROL_BLOCK->vtor = (value))
#define ENABLE() (((volatile struct fields *)&CONTROL_BLOCK->cpacr)->units = 0xF)
#define START(table, value) (START_REGISTERS->vectors = (table), \
    ((volatile struct fields *)&START_REGISTERS->control)->low = (value))
#endif

__attribute__((noinline)) static void initialise(void)
{
    const uint32_t *from = data_lma;
    for (uint32_t *to = data_beg; to < data_lim;) {
        *to++ = *from++;
    }
    for (uint32_t *to = bss_beg; to < bss_lim;) {
        *to++ = 0;
    }
}

__attribute__((noreturn, noinline)) static void go_on(void);

void Reset_Handler(void)
{
    initialise();
#if !defined(STATION) && FORM > 0
    SET_VTOR(VTOR);
#endif
#if defined(FLOAT) && !defined(ENABLE_LATE) && !defined(ENABLE_NEVER)
    ENABLE();
#endif
    go_on();
}

#ifdef FLOAT
volatile float level = 2.5f;
#endif

__attribute__((noreturn, noinline)) static void go_on(void)
{
    main();
    for (;;) {
    }
}

__attribute__((noinline)) int main(void)
{
#ifdef OWN_COPY
    initialise();
#endif
#ifdef STATION
    START(START_TABLE, START_VALUE);
#endif
#ifdef FLOAT
    level = level * 1.5f + 0.25f;
#ifdef ENABLE_LATE
    ENABLE();
#endif
#endif
    for (uint32_t i = 0;; i = i < 9u ? i + 1u : 0u) {
        history[i] += scale[i];
        link_words[i] = history[i];
    }
}
