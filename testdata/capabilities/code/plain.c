#include "work.h"

int32_t level_of(int32_t pressure)
{
    return (pressure >> 3) + (pressure >> 5);
}
