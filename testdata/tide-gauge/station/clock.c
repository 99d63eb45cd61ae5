/* The architecture's own timer, polled: one tick a millisecond. */
#include "station.h"

struct system_timer {
    uint32_t control;
    uint32_t reload;
    uint32_t current;
};

#define TIMER ((volatile struct system_timer *)0xE000E010)
#define CONTROL_ENABLE          0x1u
#define CONTROL_PROCESSOR_CLOCK 0x4u
#define CONTROL_TICKED          0x10000u /* cleared by reading it */

void clock_start(void)
{
    TIMER->reload = PROCESSOR_HZ / 1000 - 1;
    TIMER->current = 0u;
    TIMER->control = CONTROL_PROCESSOR_CLOCK | CONTROL_ENABLE;
}

bool clock_ticked(void)
{
    return (TIMER->control & CONTROL_TICKED) != 0u;
}
