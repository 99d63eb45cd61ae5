/* Faulty on purpose: this station believes that the sampler's build begins with a header of 512 bytes,
   as it did in an older scheme, and releases the sampler behind it. The constant that the layout knows is
   right; only running the code shows what is written. */
#include "station.h"

#define sampler_start_address (sampler_start_address + 0x200u)
#include "sampler.c"
