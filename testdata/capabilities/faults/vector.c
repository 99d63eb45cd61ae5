#include "../code/work.h"

typedef int32_t four __attribute__((vector_size(16)));

int32_t level_of(int32_t pressure)
{
    four samples = {pressure, pressure + 1, pressure + 2, pressure + 3};
    four sums = samples * 3 + (four){5, 6, 7, 8};
    __asm__ volatile("" : "+w"(sums));
    return sums[0];
}
