#include <stdint.h>

__attribute__((section(".behind_veneers"), used)) const uint32_t version = 0x00010402u;
