/* Instructions that a core lacks, and the registers that say so. */
#ifndef NEEDS_H
#define NEEDS_H
#include <stdbool.h>
#include <stdint.h>

#define REGISTER(address) (*(volatile uint32_t *)(address))
#define CPUID   REGISTER(0xE000ED00u)
#define CPACR   REGISTER(0xE000ED88u)
#define MVFR0   REGISTER(0xE000EF40u)
#define SYSTICK REGISTER(0xE000E010u)

extern uint32_t frame[40];

#ifdef HAS_NO_DIVIDE
#define HAS_IT ((CPUID >> 4 & 0xFFFu) >= 0xC23u)
#define LACKING(place)                                                                       \
    do {                                                                                     \
        register uint32_t r0 __asm("r0") = (uint32_t)(place);                                \
        __asm volatile(".inst.w 0xfb90f0f0" : "+r"(r0)); /* sdiv r0, r0, r0 */               \
        frame[0] = r0;                                                                       \
    } while (0)
#else
#define HAS_IT ((CPACR >> 20 & 0xFu) == 0xFu)
#define LACKING(place)                                                                       \
    do {                                                                                     \
        register uint32_t r0 __asm("r0") = (uint32_t)(place);                                \
        __asm volatile(".inst.w 0xeca08a10" : "+r"(r0)::"memory"); /* vstmia r0!, {s16-s31} */ \
    } while (0)
#endif
#define KEPT __attribute__((noinline, used))

#endif
