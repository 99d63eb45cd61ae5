#include "keeper.h"

int main(void);

static volatile uint32_t count;

int main(void)
{
    for (;;) {
#ifndef WITHOUT_ADD
        keeper_add(2);
#endif
#ifdef ANOTHER_ENTRY
        keeper_another();
#endif
        count = keeper_count();
    }
}
