#pragma once
#include <stdint.h>

/* The level for a pressure; each build has its own way to work it out. */
int32_t level_of(int32_t pressure);
