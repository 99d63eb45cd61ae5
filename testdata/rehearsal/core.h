/* What both cores' sources share: registers, interrupts, and the way from reset to run(). */
#ifndef CORE_H
#define CORE_H

#include <stdint.h>

#include "device.h"

#define REGISTER(address) (*(volatile uint32_t *)(address))
#define INTERRUPT_ENABLE  REGISTER(0xE000E100)
#define COPROCESSORS      REGISTER(0xE000ED88)

/* The one fault that this build has; 0 is a sound one. Each has its own number in the Makefile. */
#ifndef FAULT
#define FAULT NONE
#endif

enum fault {
    NONE,
    NEVER_RELEASED,
    RELEASED_BEFORE_VECTOR,
    WRONG_ADDRESS,
    WITHOUT_KEY,
    SHORT_COPY,
    UNMAPPED_READ,
    UNMAPPED_WRITE,
    JUMP_INTO_DATA,
    JUMP_TO_NULL,
    UNDEFINED_INSTRUCTION,
    BREAKPOINT,
    UNALIGNED_PAIR,
    NO_THUMB_BIT,
    FLOAT_INSTRUCTION,
    DSP_INSTRUCTION,
    WRITE_TO_FLASH,
    WRITE_TO_OTHER_CORE,
    WRITE_TO_OWN_CODE,
    DEEP_RECURSION,
    READ_OF_UNWRITTEN,
    TOUCHES_SERIAL,
    TOUCHES_NOBODYS,
    ENDLESS_LOOP,
    WAITS_FOR_NOTHING,
    COUNTS_FOR_EVER,
    FAULT_WITHOUT_HANDLER,
    KEEPS_LOCK,
    WITHOUT_LOCK,
    GIVES_BACK_TWICE,
    ASKS_FOR_RESET,
    BAD_INTERRUPT_VECTOR,
    WATCHES_STATUS,
    UNALIGNED_WORD,
};

struct link {
    volatile uint32_t measured;
    volatile uint32_t answered;
};

void run(void);
void on_interrupt(void);
void fault(enum fault which);

static inline void take_lock(void)
{
    while (REGISTER(LOCK) == 0u) {
    }
}

static inline void give_lock(void)
{
    REGISTER(LOCK) = 0u;
}

#endif
