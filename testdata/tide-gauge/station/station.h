/* What the station's files offer each other. */
#ifndef STATION_H
#define STATION_H

#include <stdbool.h>
#include <stdint.h>

#include "device.h"
#include "link.h"
#include "text.h"

/* main.c */
void run_station(void);
void report_exception(uint32_t number);

/* serial.c: the port on which the station reports. */
void serial_open(void);
void serial_line(const char *line);

/* clock.c: milliseconds counted by polling, for bounded waits. */
void clock_start(void);
bool clock_ticked(void); /* true once for every millisecond seen */

/* checksum.c: CRC-32/ISO-HDLC. */
uint32_t checksum_of(uint32_t start, uint32_t size);

/* sampler.c: everything that concerns the other core from the outside. */
void sampler_copy(void);
void sampler_release(void);
bool sampler_answers(void);
bool sampler_next_frame(struct link_frame *frame);

#if HAS_FLOAT_UNIT
/* trend.c: a smoothed level, in metres. */
float trend_after(int32_t level_mm);
#endif

/*
 * Written at join. As built, each of them reads as erased flash; `volatile`
 * keeps the compiler from believing that.
 */
extern const volatile uint32_t image_length;  /* bytes of this build in flash */
extern const volatile uint32_t image_version; /* major, minor, patch: 8, 8 and 16 bits */
#if SAMPLER_IS_COPIED
extern const volatile uint32_t sampler_stored_at;
extern const volatile uint32_t sampler_runs_at;
extern const volatile uint32_t sampler_size;
#endif

#define NOT_STAMPED 0xFFFFFFFFu

/* Fixed when the station is built: where the sampler's vector table has to be. */
extern const volatile uint32_t sampler_start_address;

#endif
