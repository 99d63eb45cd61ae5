/* What the sampler's files offer each other. */
#ifndef SAMPLER_H
#define SAMPLER_H

#include <stdint.h>

#define SAMPLES_PER_FRAME 5u
#define FRAMES 8u

/*
 * How many of a frame's samples are dropped at either end before the mean is
 * taken. One wave slap then no longer moves the reading.
 */
#ifndef FILTER_DROP
#define FILTER_DROP 1u
#endif

/* samples.c: pressure of the water column over the sensor, pascal. */
extern const uint32_t pressure_samples[FRAMES * SAMPLES_PER_FRAME];

/* filter.c */
struct filtered {
    uint32_t pressure_pa; /* mean of the samples kept, rounded to the nearest */
    uint32_t spread_pa;   /* largest minus smallest of all samples */
};

/* Sorts the frame's samples in place. */
struct filtered filter_frame(uint32_t samples[SAMPLES_PER_FRAME]);

/* level.c: level above chart datum, millimetres, from pressure in pascal up to 4 MPa. */
int32_t level_from_pressure(uint32_t pressure_pa);

/* main.c */
void run_sampler(void);

#endif
