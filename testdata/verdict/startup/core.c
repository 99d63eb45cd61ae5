/* One core as start-up code of device makers has it: weak handlers, library calls, a linker script of its own. */
#include <stddef.h>
#include <stdint.h>

#include "device.h"

#ifndef SAMPLER_VECTORS
#define SAMPLER_VECTORS SAMPLER_CODE
#endif
#ifndef RELEASE
#define RELEASE = 0u
#endif

void *memcpy(void *to, const void *from, size_t size);
void *memset(void *to, int value, size_t size);
extern uint32_t __StackTop, __data_start__, __data_end__, __etext, __bss_start__, __bss_end__;

#ifdef LINK_VALUE
__attribute__((section(".shared"))) volatile uint32_t link_words[32] = { LINK_VALUE };
#else
__attribute__((section(".shared"))) volatile uint32_t link_words[32];
#endif
#ifdef SCRATCH
__attribute__((section(".scratch"), used)) volatile uint32_t scratch[32];
#endif
static uint32_t history[64];
static uint32_t filter[4] = { 1, 2, 3, 4 };
static const uint16_t taps[8] = { 3, 1, 4, 1, 5, 9, 2, 6 };

#ifdef NOISE
/* Constants that read as floating-point instructions, and a file included as it is: both among the code. */
static const uint16_t noise[8] = { 0xEE30, 0x0A81, 0xEE20, 0x0A81, 0xEE30, 0x0A81, 0xEE20, 0x0A81 };
extern const uint16_t file_noise[];
__asm(".section .text.noise, \"ax\", %progbits\n"
      ".balign 4\n"
      ".global file_noise\n"
      "file_noise: .incbin \"" NOISE "\"\n"
      ".previous\n");
#endif

__attribute__((weak, used)) void Default_Handler(void)
{
    for (;;) {
        __asm volatile("bkpt 0");
    }
}

#define WEAK(name) void name(void) __attribute__((weak, alias("Default_Handler")));
WEAK(NMI_Handler)
WEAK(HardFault_Handler)
WEAK(MemManage_Handler)
WEAK(SVC_Handler)
WEAK(PendSV_Handler)
WEAK(SysTick_Handler)
WEAK(Tide_Handler)
void Reset_Handler(void);

typedef void (*handler)(void);

#ifdef VECTORS_UNUSED
#define VECTORS __attribute__((section(".isr_vector")))
#else
#define VECTORS __attribute__((section(".isr_vector"), used))
#endif
#if __ARM_ARCH_ISA_THUMB == 1
#define MAINLINE 0
#else
#define MAINLINE MemManage_Handler
#endif
#ifndef RESET
#define RESET Reset_Handler
#endif
#ifndef HARD_FAULT
#define HARD_FAULT HardFault_Handler
#endif
#ifndef RESERVED
#define RESERVED 0
#endif
/* Word 7 is zero: none of these cores has the security extension. */
int main(void);
extern const handler vector_table[16 + INTERRUPTS];
VECTORS const handler vector_table[16 + INTERRUPTS] = {
    (handler)&__StackTop, (handler)RESET, NMI_Handler, HARD_FAULT, MAINLINE, MAINLINE, MAINLINE, 0, RESERVED, 0, 0,
    SVC_Handler, MAINLINE, 0, PendSV_Handler, SysTick_Handler,
    Tide_Handler, Tide_Handler, Tide_Handler, Tide_Handler, Tide_Handler, Tide_Handler, Tide_Handler, Tide_Handler,
};

#ifdef STATION
__attribute__((section(".constants"), used)) const volatile uint32_t sampler_start_address = SAMPLER_VECTORS;
#endif

#ifdef RAM_FUNCTION
__attribute__((section(".ram_function"), noinline, used)) void settle(void)
{
    history[3] = 9u;
}
#endif

#ifdef CONSTRUCTORS
__attribute__((noinline))
#endif
int main(void)
{
#ifdef STATION
    *(volatile uint32_t *)VECTOR_REGISTER = sampler_start_address;
    *(volatile uint32_t *)CONTROL_REGISTER RELEASE;
#endif
#ifdef RAM_FUNCTION
    settle();
#endif
    for (uint32_t count = 0;; count++) {
        uint32_t sum = 0;
        for (uint32_t i = 0; i < 8u; i++) {
            sum += taps[i] * history[(count + i) % 64u];
        }
#ifdef NOISE
        sum += noise[count % 8u] + file_noise[count % 4u];
#endif
        filter[count % 4u] += sum;
        history[count % 64u] = filter[count % 4u];
        link_words[count % 32u] = filter[count % 4u];
    }
}

static uint32_t between(const uint32_t *start, const uint32_t *end)
{
    return (uint32_t)end - (uint32_t)start;
}

#ifdef COPIER
/* Copies the data by a loop; called by another function, or never. */
__attribute__((used, noinline)) void copy_data(void)
{
    const uint32_t *from = &__etext;
    for (uint32_t *to = &__data_start__; to < &__data_end__;) {
        *to++ = *from++;
    }
}
__attribute__((used, noinline)) void begin(void)
{
    *(volatile uint32_t *)0xE000ED14u = 0x200u;
#ifdef COPIER_CALLED
    copy_data();
#endif
}
#endif

#ifdef INIT_END
/* A function in two parts, as crti.o and crtn.o have it. */
#define RETURNS "pop {r4, pc}\n"
void _init(void);
__asm(".section .init, \"ax\", %progbits\n"
      ".global _init\n"
      ".type _init, %function\n"
      ".thumb_func\n"
      "_init: push {r4, lr}\n"
      "nop\n" INIT_END
      ".previous\n");
#endif

__attribute__((noreturn, used)) void Reset_Handler(void)
{
#ifdef COPIER
    begin();
#endif
#ifndef NEVER_COPIED
    memcpy(&__data_start__, &__etext, between(&__data_start__, &__data_end__));
#endif
#ifdef BLOCK
    /* One more block, by labels that only this linker script has. */
    extern uint32_t block_begin, block_finish;
    extern const uint32_t block_rom;
    memcpy(&block_begin, &block_rom, between(&block_begin, &block_finish));
#endif
#ifdef BLOCK_TABLE
    /* One more block, by a table that only this linker script has. */
    extern const uint32_t block_table[];
    for (const uint32_t *each = block_table; *each; each += 3) {
        memcpy((void *)each[1], (const void *)each[0], each[2]);
    }
#endif
#ifndef NOT_CLEARED
    memset(&__bss_start__, 0, between(&__bss_start__, &__bss_end__));
#endif
#ifdef INIT_END
    _init();
#endif
#if defined(CONSTRUCTORS) && !defined(NEVER_CONSTRUCTED)
    extern const handler __init_array_start[], __init_array_end[];
    for (const handler *each = __init_array_start; each < __init_array_end; each++) {
        (*each)();
    }
#endif
    main();
    for (;;) {
    }
}

#ifdef CONSTRUCTORS
__attribute__((constructor, used)) void set_up(void)
{
    *(volatile uint32_t *)&history[0] = 2u;
}
#endif
