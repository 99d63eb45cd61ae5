#include "work.h"

int main(void);

static volatile int32_t pressure;
static volatile int32_t level;

int main(void)
{
#ifdef SECONDARY
    *(volatile uint32_t *)0x50021114u = SECONDARY;
    *(volatile uint32_t *)0x50021118u = 0;
#endif
    for (;;) {
        level = level_of(pressure);
    }
}
