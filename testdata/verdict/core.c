/* One core of the tide gauge, on a page; a fault or an unusual but sound form is one -D (see the Makefile). */
#include <stdint.h>

#include "device.h"

#ifndef SAMPLER_VECTORS
#define SAMPLER_VECTORS SAMPLER_CODE
#endif
#ifndef RELEASE_VALUE
#define RELEASE_VALUE 0u
#endif
#ifndef RESET
#define RESET reset_handler
#endif
#ifndef VECTORS
#define VECTORS (16 + INTERRUPTS)
#endif
#ifndef LINK_QUALIFIER
#define LINK_QUALIFIER volatile
#endif
#ifndef LAUNCH_FROM
#define LAUNCH_FROM sampler_start_address
#endif
#ifndef START_SECTION
#define START_SECTION ".constants"
#endif
#ifndef FIFTH
#define FIFTH hold
#endif

extern uint32_t _estack, _sdata, _edata, _sbss, _ebss;
extern const uint32_t _sidata;

uint32_t scale[8] = { 1000, 1003, 1007, 1012, 1018, 1025, 1033, 1042 };
uint32_t readings[32];
uint32_t smoothed[16];
#ifdef CLOCK
uint32_t clock_rate;
#endif
#ifdef LINK_TAKEN
volatile uint32_t taken;
#endif
__attribute__((section(".rodata.limits"), used)) const uint32_t limits[8] = { 17, 23, 29, 31, 37, 41, 43, 47 };

#ifndef NO_LINK
#ifdef LINK_VALUE
__attribute__((section(".link"))) LINK_QUALIFIER uint32_t link_words[32] = { LINK_VALUE };
#else
__attribute__((section(".link"))) LINK_QUALIFIER uint32_t link_words[32];
#endif
#endif
#ifdef LINK_POINTER
/* An address of private RAM in shared memory: the other core would follow it. */
__attribute__((section(".link.pointer"))) uint32_t *volatile link_buffer[2] = { readings, readings + 8 };
#endif
#ifdef LINK_MEMBERS
struct link_state {
    volatile uint32_t turn;
    LINK_MEMBERS uint32_t count;
    uint32_t left[2];
};
__attribute__((section(".link.state"))) struct link_state link_state;
#endif
#ifdef EXTRA_SPACE
__asm(".section .extra, \"aw\", %nobits\n.space 64\n.previous"); /* no object names it */
#elif defined(EXTRA)
__attribute__((section(".extra"))) volatile uint32_t extra_words[16];
#endif

#ifdef FLOAT
volatile float level_in_metres;
__attribute__((noinline)) static void measure(void)
{
    level_in_metres = level_in_metres * 0.001f + 1.5f;
}
#endif
#ifdef FLOAT_TASK
void (*volatile next_task)(void);
#elif defined(FLOAT_HANDLER)
#undef FIFTH
#define FIFTH measure
#endif

#ifndef HOLD
#define HOLD static
#endif
HOLD void hold(void)
{
    for (;;) {
        __asm volatile("wfi");
    }
}

void reset_handler(void);

#ifdef ENTRIES
/* A handler with two entries by design: the second one skips the prologue. */
void full_handler(void);
void short_handler(void);
__asm(".section .text.entries, \"ax\", %progbits\n"
      ".syntax unified\n"
      ".thumb\n"
      ".global full_handler\n"
      ".type full_handler, %function\n"
      ".thumb_func\n"
      "full_handler:\n"
      "        push {r4, lr}\n"
      "        b 1f\n"
      ".global short_handler\n"
      ".type short_handler, %function\n"
      ".thumb_func\n"
      "short_handler:\n"
      "        push {r4, lr}\n"
      "        movs r4, #0\n"
      "1:      nop\n"
      "        pop {r4, pc}\n"
      ".size full_handler, . - full_handler\n"
      ".previous\n");
#endif

#ifdef ISR
__attribute__((section(".isr"), noinline)) void on_tide(void)
{
    readings[0]++;
}
#endif

#ifdef SWITCH
void switch_tasks(void);
void clear_floats(void);
uint32_t scaled(uint32_t value);
#undef FIFTH
#define FIFTH switch_tasks
#endif

union vector {
    void *stack;
    void (*handler)(void);
};

__attribute__((section(".vectors"), used)) const union vector vector_table[VECTORS] = {
    [0] = { .stack = &_estack },
    [1] = { .handler = (void (*)(void))RESET },
    [2 ... 3] = { .handler = hold },
#if VECTORS >= 16
    [11] = { .handler = hold },
    [14 ... VECTORS - 2] = { .handler = hold },
#endif
    [VECTORS - 1] = { .handler = (void (*)(void))FIFTH },
};

#ifdef STATION
#ifdef LOADER_TABLE
/* What a boot loader knows of its application, the vectors not first. */
__attribute__((section(".constants"), used)) const volatile struct {
    uint32_t mark, version, vectors, size;
#ifdef SECOND_VECTORS
    uint32_t second_vectors, second_size;
} application = { 0x4C4F4144u, 0x00010002u, SAMPLER_VECTORS, 0x2000u, SECOND_VECTORS, 0x2000u };
#else
} application = { 0x4C4F4144u, 0x00010002u, SAMPLER_VECTORS, 0x4000u };
#endif
#define sampler_start_address application.vectors
#elif !defined(NO_CONSTANT)
__attribute__((section(START_SECTION), used)) const volatile uint32_t sampler_start_address = SAMPLER_VECTORS;
#endif

#ifdef RELEASE_BY_PAGE
__attribute__((noinline)) static void write_page(uint32_t page, uint32_t offset, uint32_t value)
{
    *(volatile uint32_t *)((page << 12) + offset) = value;
}
#endif

#ifdef LAUNCH
/* Goes on into another build of the same core: its table, its stack, its reset handler. */
__attribute__((noinline, noreturn)) static void launch(uint32_t table)
{
    uint32_t stack = ((const volatile uint32_t *)table)[0], reset = ((const volatile uint32_t *)table)[1];
    LAUNCH_SETS(table);
    __asm volatile("msr msp, %0\n\tbx %1" : : "r"(stack), "r"(reset) : "memory");
    __builtin_unreachable();
}
#endif

static void start_sampler(void)
{
#ifdef SECOND_VECTORS
    if (*(volatile uint32_t *)CONTROL_REGISTER & 2u) {
        launch(application.second_vectors + LAUNCH);
    }
#endif
#ifdef LAUNCH
    if (*(volatile uint32_t *)CONTROL_REGISTER & 1u) {
        launch(LAUNCH_FROM + LAUNCH);
    }
#ifndef APP
    return;
#endif
#endif
#ifdef LINK_MARKED
    link_words[5] = 0x4C494E4Bu;
#endif
#ifdef LINK_CLEARED_IN_CODE
    for (uint32_t i = 0; i < 32u; i++) {
        link_words[i] = 0u;
    }
#endif
    *(volatile uint32_t *)VECTOR_REGISTER = START_AT;
#ifdef RELEASE_BY_PAGE
    write_page((CONTROL_REGISTER) >> 12, (CONTROL_REGISTER) & 0xFFFu, RELEASE_VALUE);
    write_page(0x20003u, 0u, RELEASE_VALUE);
#else
    *(volatile uint32_t *)CONTROL_REGISTER = RELEASE_VALUE;
#endif
}
#endif

#ifdef TABLES
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
#endif

#ifdef OVERLAYS
/* Two phases that share one place in RAM, copied there in turn. */
extern uint32_t __load_start_first[], __load_stop_first[], __load_start_second[], __load_stop_second[];
extern uint32_t overlay_start[];
__attribute__((section(".first"), noinline)) void settle(void)
{
    readings[1] = 5u;
}
__attribute__((section(".second"), noinline)) void drain(void)
{
    readings[2] = 6u;
}
static void bring(const uint32_t *from, const uint32_t *end)
{
    for (uint32_t *to = overlay_start; from < end;) {
        *to++ = *from++;
    }
}
#endif

#ifdef BY_ARGUMENT
#ifdef VTOR
__attribute__((noinline)) static void set_vector_table(uint32_t address)
{
    *(volatile uint32_t *)0xE000ED08u = address;
}
#endif
#define VTOR_SET(address) set_vector_table(address)
#ifdef LIMIT
__attribute__((noinline)) static void set_limit(uint32_t address)
{
    __asm volatile("msr msplim, %0" : : "r"(address));
}
#endif
#define LIMIT_SET(address) set_limit(address)
#else
#define VTOR_SET(address) *(volatile uint32_t *)0xE000ED08u = (address)
#define LIMIT_SET(address) __asm volatile("msr msplim, %0" : : "r"(address))
#endif

#ifdef RAM_CODE
/* Copies all other code to RAM, and goes on there. */
__attribute__((section(".start")))
#endif
void reset_handler(void)
{
#if defined(RAM_CODE) || defined(RAM_LINKED)
    extern uint32_t ram_code_start[], ram_code_end[];
    extern const uint32_t ram_code_stored[];
    for (uint32_t i = 0; &ram_code_start[i] < ram_code_end; i++) {
        ram_code_start[i] = ram_code_stored[i];
    }
    *(volatile uint32_t *)0xE000ED08u = (uint32_t)ram_code_start;
#endif
#ifdef LINK_TAKEN
    taken = link_words[5];
#endif
#ifdef CLEARED_UP_TO
    for (volatile uint32_t *to = (volatile uint32_t *)SAMPLER_RAM; to < (volatile uint32_t *)CLEARED_UP_TO; to++) {
        *to = 0u;
    }
#endif
#ifdef CLOCK
    clock_rate = CLOCK;
#endif
#ifdef ENABLE_FIRST
    *(volatile uint32_t *)0xE000ED88u |= ENABLE_FIRST;
#endif
#ifdef FLOAT_TASK
    next_task = measure;
#elif defined(FLOAT) && !defined(FLOAT_HANDLER)
    measure();
#endif
#ifdef ENABLE_LATE
    *(volatile uint32_t *)0xE000ED88u |= 0x00F00000u;
#endif
#ifdef LIMIT
    LIMIT_SET(LIMIT);
#endif
#ifdef VTOR
    VTOR_SET((uint32_t)(VTOR));
#endif
#ifdef TABLES
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
#else
    const uint32_t *from = &_sidata;
    for (uint32_t *to = &_sdata; to < &_edata; to++) {
        *to = *from++;
    }
#ifndef NOTHING_CLEARED
    for (uint32_t *to = &_sbss; to < &_ebss; to++) {
        *to = 0u;
    }
#endif
#endif
#ifdef STATION
    start_sampler();
#endif
#ifdef CLEARS_LINK
    for (uint32_t i = 0; i < 32u; i++) {
        link_words[i] = 0u;
    }
#endif
#ifdef TICKS /* the tick timer, and an interrupt that the table has no word for */
    *(volatile uint32_t *)0xE000E010u = 7u;
    if (TICKS) {
        *(volatile uint32_t *)0xE000E100u = TICKS;
    }
#endif
#ifdef SWITCH
    clear_floats();
#endif
#ifdef UNGUARDED
    readings[0] = scaled(3u);
#endif
#ifdef OVERLAYS
    bring(__load_start_first, __load_stop_first);
    settle();
    bring(__load_start_second, __load_stop_second);
    drain();
#endif
    for (uint32_t i = 0;; i++) {
        readings[i % 32u] = scale[i % 8u] + i;
        smoothed[i % 16u] += readings[i % 32u] + limits[i % 8u];
#ifndef NO_LINK
        link_words[i % 32u] = smoothed[i % 16u];
#endif
#if defined(EXTRA) && !defined(EXTRA_SPACE)
        extra_words[i % 16u] = i;
#endif
    }
}
