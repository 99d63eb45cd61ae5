#include "../code/work.h"

int32_t level_of(int32_t pressure)
{
    return (int32_t)((float)pressure * 0.102f);
}
