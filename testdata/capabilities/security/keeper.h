#pragma once
#include <stdint.h>

/* What the secure build offers. */
uint32_t keeper_add(uint32_t value);
uint32_t keeper_count(void);
uint32_t keeper_another(void);
