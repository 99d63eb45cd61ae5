/* One core whose start-up code copies and clears in one of many shapes, right or with one fault (see corpus.py). */
#include <stddef.h>
#include <stdint.h>

#include "device.h"

#ifndef LATE_WORDS
#define LATE_WORDS 0
#endif
#ifndef EARLY_WORDS
#define EARLY_WORDS 0
#endif
#ifndef SOURCE_WORDS
#define SOURCE_WORDS 0
#endif
#ifndef PLACE_WORDS
#define PLACE_WORDS 0
#endif
#ifndef CLEAR_LATE
#define CLEAR_LATE 0
#endif
#ifndef CLEAR_EARLY
#define CLEAR_EARLY 0
#endif
#ifndef CLEAR_STEP
#define CLEAR_STEP 4
#endif

extern uint32_t stack_top[], data_lma[], data_beg[], data_lim[], bss_beg[], bss_lim[];

#define FROM (data_lma + LATE_WORDS + SOURCE_WORDS)
#define TO (data_beg + LATE_WORDS + PLACE_WORDS)
#define END (data_lim - EARLY_WORDS + PLACE_WORDS)
#define BYTES ((size_t)((char *)END - (char *)TO))
#define CLEAR (bss_beg + CLEAR_LATE)
#define CLEAR_END (bss_lim - CLEAR_EARLY)

__attribute__((section(".link"))) volatile uint32_t link_words[32];
volatile uint32_t scale[10] = { 1000, 1003, 1007, 1012, 1018, 1025, 1033, 1042, 1052, 1063 };
uint32_t history[24];
uint32_t total;
const uint16_t weights[12] = { 3, 1, 4, 1, 5, 9, 2, 6, 5, 3, 5, 8 };

void Reset_Handler(void);
int main(void);

void Default_Handler(void)
{
    for (;;) {
        __asm volatile("wfi");
    }
}

typedef void (*handler)(void);
__attribute__((used, section(".vectors"))) const handler vector_table[16 + INTERRUPTS] = {
    [0] = (handler)stack_top,
    [1] = Reset_Handler,
    [2 ... 3] = Default_Handler,
    [11] = Default_Handler,
    [14 ... 16 + INTERRUPTS - 1] = Default_Handler,
};

static void set_up_clocks(void)
{
    *(volatile uint32_t *)0x40021004u |= 1u;
    while (!(*(volatile uint32_t *)0x40021004u & 2u)) {
    }
    if (*(volatile uint32_t *)0x40021008u & 4u) {
        *(volatile uint32_t *)0x4002100Cu = 7u;
    }
}

void *memcpy(void *to, const void *from, size_t size)
{
    char *end = (char *)to + size;
    const char *source = from;
    for (char *each = to; each < end;) {
        *each++ = *source++;
    }
    return to;
}

void *memset(void *to, int value, size_t size)
{
    volatile char *each = to;
    while (size--) {
        *each++ = (char)value;
    }
    return to;
}

#if SHAPE == 1 /* indexes */
static void initialise(void)
{
    uint32_t *to = TO, *clear = CLEAR;
    const uint32_t *from = FROM;
    for (uint32_t i = 0; i < BYTES / 4; i++) {
        to[i] = from[i];
    }
    for (uint32_t i = 0; i < (uint32_t)(CLEAR_END - CLEAR); i++) {
        clear[i] = 0;
    }
}
#elif SHAPE == 2 /* pointers that count up */
static void initialise(void)
{
    const uint32_t *from = FROM;
    for (uint32_t *to = TO; to < END;) {
        *to++ = *from++;
    }
    for (uint32_t *to = CLEAR; to != CLEAR_END; to++) {
        *to = 0;
    }
}
#elif SHAPE == 3 /* calls of a library's functions */
static void initialise(void)
{
    memcpy(TO, FROM, BYTES);
    memset(CLEAR, 0, (size_t)((char *)CLEAR_END - (char *)CLEAR));
}
#elif SHAPE == 4 /* calls that the run-time ABI names, of constant sizes */
void __aeabi_memcpy4(void *to, const void *from, size_t size);
void __aeabi_memclr4(void *to, size_t size);
__attribute__((used, noinline)) void __aeabi_memcpy4(void *to, const void *from, size_t size)
{
    uint32_t *each = to;
    const uint32_t *source = from;
    for (size_t at = 0; at < size; at += 4) {
        *each++ = *source++;
    }
}
__attribute__((used, noinline)) void __aeabi_memclr4(void *to, size_t size)
{
    for (volatile uint32_t *each = to; size; size -= 4) {
        *each++ = 0;
    }
}
static void initialise(void)
{
    __aeabi_memcpy4(TO, FROM, sizeof scale - 4 * (LATE_WORDS + EARLY_WORDS));
    __aeabi_memclr4(CLEAR, (size_t)((char *)CLEAR_END - (char *)CLEAR));
}
#elif SHAPE == 5 /* several registers at once */
static void initialise(void)
{
    uint32_t *to = TO;
    const uint32_t *from = FROM;
    while ((char *)END - (char *)to >= 8) {
        __asm volatile("ldmia %0!, {r4, r5}\n stmia %1!, {r4, r5}" : "+l"(from), "+l"(to) : : "r4", "r5", "memory");
    }
    while (to < END) {
        __asm volatile("ldmia %0!, {r4}\n stmia %1!, {r4}" : "+l"(from), "+l"(to) : : "r4", "memory");
    }
    uint32_t *clear = CLEAR;
    while (clear < CLEAR_END) {
        __asm volatile("movs r4, #0\n stmia %0!, {r4}" : "+l"(clear) : : "r4", "memory", "cc");
    }
}
#elif SHAPE == 6 /* downwards */
static void initialise(void)
{
    uint32_t *to = TO;
    const uint32_t *from = FROM;
    for (uint32_t left = BYTES / 4; left--;) {
        to[left] = from[left];
    }
    for (uint32_t *clear = CLEAR_END; clear > CLEAR;) {
        *--clear = 0;
    }
}
#elif SHAPE == 7 /* bytes */
static void initialise(void)
{
    volatile char *to = (char *)TO;
    const volatile char *from = (const char *)FROM;
    while (to < (char *)END) {
        *to++ = *from++;
    }
    for (volatile char *clear = (char *)CLEAR; clear < (char *)CLEAR_END; clear++) {
        *clear = 0;
    }
}
#elif SHAPE == 8 /* functions with arguments */
__attribute__((noinline)) static void copy(uint32_t *to, const uint32_t *end, const uint32_t *from)
{
    while (to < end) {
        *to++ = *from++;
    }
}
__attribute__((noinline)) static void fill(uint32_t *to, const uint32_t *end, uint32_t value)
{
    while (to < end) {
        *to++ = value;
    }
}
static void initialise(void)
{
    copy(TO, END, FROM);
    fill(CLEAR, CLEAR_END, 0);
}
#elif SHAPE == 9 /* a table among the code */
struct block {
    const uint32_t *from;
    uint32_t *to, *end;
};
static const struct block blocks[2] = { { FROM, TO, END }, { NULL, CLEAR, CLEAR_END } };
static void initialise(void)
{
    const struct block *volatile first = blocks;
    for (const struct block *each = first; each < blocks + 2; each++) {
        const uint32_t *from = each->from;
        for (uint32_t *to = each->to; to < each->end; to++) {
            *to = from ? *from++ : 0;
        }
    }
}
#elif SHAPE == 10 /* addresses as numbers */
static void initialise(void)
{
    const uint32_t distance = (uint32_t)FROM - (uint32_t)TO;
    for (uint32_t at = (uint32_t)TO; at < (uint32_t)END; at += 4u) {
        *(volatile uint32_t *)at = *(volatile uint32_t *)(at + distance);
    }
    for (uint32_t at = (uint32_t)CLEAR; at < (uint32_t)CLEAR_END; at += 4u) {
        *(volatile uint32_t *)at = 0;
    }
}
#elif SHAPE == 11 /* pairs of words */
static void initialise(void)
{
    volatile uint64_t *to = (volatile uint64_t *)TO;
    const volatile uint64_t *from = (const volatile uint64_t *)FROM;
    for (uint32_t i = 0; i < BYTES / 8; i++) {
        to[i] = from[i];
    }
    if (BYTES % 8) {
        END[-1] = FROM[BYTES / 4 - 1];
    }
    for (volatile uint32_t *clear = CLEAR; clear < CLEAR_END;) {
        *clear++ = 0;
    }
}
#endif

#define TEXT_OF(...) #__VA_ARGS__
#define TEXT(...) TEXT_OF(__VA_ARGS__)
#if SHAPE == 12 /* as makers of devices write it */
__asm(".section .text.Reset_Handler, \"ax\", %progbits\n"
      ".syntax unified\n.thumb\n.global Reset_Handler\n.type Reset_Handler, %function\n.thumb_func\n"
      "Reset_Handler:\n"
      " ldr r0, =data_beg + 4 * (" TEXT(LATE_WORDS) " + " TEXT(PLACE_WORDS) ")\n"
      " ldr r1, =data_lim + 4 * (" TEXT(PLACE_WORDS) " - " TEXT(EARLY_WORDS) ")\n"
      " ldr r2, =data_lma + 4 * (" TEXT(LATE_WORDS) " + " TEXT(SOURCE_WORDS) ")\n"
      " movs r3, #0\n"
      " b 2f\n"
      "1: ldr r4, [r2, r3]\n"
      " str r4, [r0, r3]\n"
      " adds r3, r3, #4\n"
      "2: adds r4, r0, r3\n"
      " cmp r4, r1\n"
      " bcc 1b\n"
      " ldr r2, =bss_beg + 4 * (" TEXT(CLEAR_LATE) ")\n"
      " ldr r4, =bss_lim - 4 * (" TEXT(CLEAR_EARLY) ")\n"
      " movs r3, #0\n"
      " b 4f\n"
      "3: str r3, [r2]\n"
      " adds r2, r2, #" TEXT(CLEAR_STEP) "\n"
      "4: cmp r2, r4\n"
      " bcc 3b\n"
      " bl main\n"
      " b .\n"
      ".size Reset_Handler, . - Reset_Handler\n"
      ".previous\n");
#elif SHAPE == 13 /* downwards from a size */
__asm(".section .text.Reset_Handler, \"ax\", %progbits\n"
      ".syntax unified\n.thumb\n.global Reset_Handler\n.type Reset_Handler, %function\n.thumb_func\n"
      "Reset_Handler:\n"
      " ldr r1, =data_lma + 4 * (" TEXT(LATE_WORDS) " + " TEXT(SOURCE_WORDS) ")\n"
      " ldr r2, =data_beg + 4 * (" TEXT(LATE_WORDS) " + " TEXT(PLACE_WORDS) ")\n"
      " ldr r3, =data_lim + 4 * (" TEXT(PLACE_WORDS) " - " TEXT(EARLY_WORDS) ")\n"
      " subs r3, r3, r2\n"
      " ble 2f\n"
      "1: subs r3, #4\n"
      " ldr r0, [r1, r3]\n"
      " str r0, [r2, r3]\n"
      " bgt 1b\n"
      "2: ldr r1, =bss_beg + 4 * (" TEXT(CLEAR_LATE) ")\n"
      " ldr r2, =bss_lim - 4 * (" TEXT(CLEAR_EARLY) ")\n"
      " movs r0, #0\n"
      " subs r2, r2, r1\n"
      " ble 4f\n"
      "3: subs r2, #4\n"
      " str r0, [r1, r2]\n"
      " bgt 3b\n"
      "4: bl main\n"
      " b .\n"
      ".size Reset_Handler, . - Reset_Handler\n"
      ".previous\n");
#else
void Reset_Handler(void)
{
    set_up_clocks();
    initialise();
    main();
    for (;;) {
    }
}
#endif

#if SHAPE >= 12
__attribute__((noinline, used))
#elif !defined(IN_ONE)
__attribute__((noinline))
#endif
int main(void)
{
#if SHAPE >= 12
    set_up_clocks();
#endif
    for (uint32_t i = 0;; i = i < 9u ? i + 1u : 0u) {
        total += scale[i] + weights[i];
        history[i] += total;
        link_words[i] = history[i];
    }
}
