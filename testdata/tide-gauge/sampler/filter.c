/* A trimmed mean: sort, drop the ends, average what is left. Integers only. */
#include "sampler.h"

static void sort(uint32_t values[SAMPLES_PER_FRAME])
{
    for (uint32_t i = 1; i < SAMPLES_PER_FRAME; i++) {
        uint32_t value = values[i];
        uint32_t place = i;

        while (place > 0u && values[place - 1u] > value) {
            values[place] = values[place - 1u];
            place--;
        }
        values[place] = value;
    }
}

struct filtered filter_frame(uint32_t samples[SAMPLES_PER_FRAME])
{
    const uint32_t kept = SAMPLES_PER_FRAME - 2u * FILTER_DROP;
    uint32_t sum = 0;

    sort(samples);
    for (uint32_t i = FILTER_DROP; i < SAMPLES_PER_FRAME - FILTER_DROP; i++) {
        sum += samples[i];
    }
    return (struct filtered){
        .pressure_pa = (sum + kept / 2u) / kept,
        .spread_pa = samples[SAMPLES_PER_FRAME - 1u] - samples[0],
    };
}
