/* The secondary: sleeps until it is asked, measures, answers. */
#include "core.h"

#define LINK ((struct link *)SAMPLER_LINK)

static volatile uint32_t asked;

void on_interrupt(void)
{
    REGISTER(TAKE_FROM_SAMPLER) = 1u;
    asked = 1u;
}

__attribute__((noinline)) static void measure(void)
{
    if (FAULT != WITHOUT_LOCK) {
        take_lock();
    }
    LINK->measured = 1182u;
    if (FAULT != WITHOUT_LOCK && FAULT != KEEPS_LOCK) {
        give_lock();
    }
}

__attribute__((noinline)) void sampler_done(void)
{
    __asm volatile("");
}

void run(void)
{
    INTERRUPT_ENABLE = 1u << INTERRUPT_OF_SAMPLER;
    while (asked == 0u) {
        __asm volatile("wfi");
    }
    if (FAULT != WITHOUT_LOCK && FAULT != KEEPS_LOCK) {
        fault(FAULT);
    }
    measure();
    REGISTER(RAISE_ON_STATION) = 1u;
    sampler_done();
}
