/* A sampler whose stacks come first in RAM, whose vector table is in assembler, and whose blocks have plain names. */
#include <stdint.h>

#include "device.h"

__attribute__((section(".link"))) volatile uint32_t link_words[32];
volatile uint32_t scale[10] = { 1000, 1003, 1007, 1012, 1018, 1025, 1033, 1042, 1052, 1063 };
__attribute__((section(".fast"))) volatile uint32_t pace[6] = { 9, 8, 7, 6, 5, 4 };
volatile uint32_t history[24];
const uint16_t weights[12] = { 3, 1, 4, 1, 5, 9, 2, 6, 5, 3, 5, 8 };

#ifndef RESET
#define RESET " .word start\n"
#endif
#ifndef VECTOR_FLAGS
#define VECTOR_FLAGS "a"
#endif
#ifndef SPARE
#define SPARE "8"
#endif
#ifndef LAST
#define LAST "hang"
#endif
#ifndef TOP
#define TOP "stack_end"
#endif

/* The words of the table are labels alone: no symbol says how large it is. */
__asm(".section .vectors, \"" VECTOR_FLAGS "\", %progbits\n"
      " .word " TOP "\n" RESET
      " .word hang, hang\n"
      " .word 0, 0, 0, 0, 0, 0, 0\n"
      " .word hang, 0, 0, hang, hang\n"
      " .rept " SPARE " - 1\n"
      " .word hang\n"
      " .endr\n"
      " .word " LAST "\n"
      ".previous\n");

__attribute__((used)) void hang(void)
{
    for (;;) {
        __asm volatile("wfi");
    }
}

extern uint32_t data_rom[], data_first[], data_past[], fast_rom[], fast_first[], fast_past[];
extern uint32_t zeros_first[], zeros_past[], stack_base[], stack_used[];

#define COPY(block) \
    for (uint32_t *to = block##_first, *from = block##_rom; to < block##_past;) { \
        *to++ = *from++; \
    }
#define CLEAR(from, to) \
    for (volatile uint32_t *each = from; each < to;) { \
        *each++ = 0; \
    }

__attribute__((noinline)) int main(void)
{
    for (uint32_t i = 0;; i = i < 5u ? i + 1u : 0u) {
        history[i] += scale[i] + weights[i];
        link_words[i] = history[i] + pace[i];
    }
}

/* Ends in a jump, not in a call. */
__attribute__((used)) void start(void)
{
    for (uint32_t *each = stack_base; each < stack_used;) {
        *each++ = 0x5AA55AA5;
    }
#ifndef NOT_COPIED
    COPY(data)
    COPY(fast)
#endif
#ifdef CLEARED_AGAIN
    CLEAR(data_first, data_past)
#endif
#ifndef NOT_CLEARED
    CLEAR(zeros_first, zeros_past)
#endif
    main();
}
