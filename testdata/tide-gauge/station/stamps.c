/* The words of the station that are not all its own. */
#include "station.h"

/* Named sections: left to itself, a compiler puts what is volatile into RAM. */
#define STAMP __attribute__((section(".stamps"), used)) const volatile uint32_t
#define CONSTANT __attribute__((section(".constants"), used)) const volatile uint32_t

STAMP image_length = NOT_STAMPED;
STAMP image_version = NOT_STAMPED;
#if SAMPLER_IS_COPIED
STAMP sampler_stored_at = NOT_STAMPED;
STAMP sampler_runs_at = NOT_STAMPED;
STAMP sampler_size = NOT_STAMPED;
#endif

CONSTANT sampler_start_address = SAMPLER_VECTORS;
