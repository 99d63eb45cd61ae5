#include "../code/work.h"

int32_t level_of(int32_t pressure)
{
    return (int32_t)((double)pressure * 0.102);
}
