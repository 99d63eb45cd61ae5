#include "keeper.h"

#define ENTRY __attribute__((cmse_nonsecure_entry))

int main(void);

static volatile uint32_t total;

#ifdef SHARED
__attribute__((section(".shared"), used)) volatile uint32_t shared_words[4];
#endif

#ifdef MOVED
uint32_t keeper_moved(void);

uint32_t keeper_moved(void)
{
    return total + 1;
}
#endif

#ifdef ANOTHER_ENTRY
ENTRY uint32_t keeper_another(void)
{
    return ~total;
}
#endif

#ifndef WITHOUT_ADD
ENTRY uint32_t keeper_add(uint32_t value)
{
    total += value;
    return total;
}
#endif

ENTRY uint32_t keeper_count(void)
{
    return total;
}

int main(void)
{
    for (;;) {
        total = 0;
    }
}
