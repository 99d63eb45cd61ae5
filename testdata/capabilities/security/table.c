/* A constant that reads like a secure gateway (SG is E97F E97F). */
#include <stdint.h>

__attribute__((section(".behind_veneers"), used)) const uint32_t mask = 0xE97FE97Fu;
