/*
 * Where everything lies when the station copies the sampler to RAM before it starts it.
 *
 * Plain numbers without suffixes: the C sources and both linker scripts read
 * this file. Each team keeps its own copy of such a file in real life, which is
 * how they come to differ.
 */
#ifndef DEVICE_H
#define DEVICE_H

#define DEVICE_ARRANGEMENT "copied"

#define STATION_CODE_START 0x10000000
#define STATION_CODE_SIZE  0x8000
#define SAMPLER_CODE_START 0x10008000 /* where it is stored */
#define SAMPLER_CODE_SIZE  0x8000

#define STATION_RAM_START  0x38000000
#define STATION_RAM_SIZE   0x8000
#define SAMPLER_RAM_START  0x38008000
#define SAMPLER_RAM_SIZE   0x8000
#define LINK_START         0x38010000
#define LINK_SIZE          0x1000
#define SAMPLER_RUN_START  0x38018000 /* where it runs */
#define SAMPLER_RUN_SIZE   0x8000

/* The sampler's vector table lies at the start of its code, in RAM. */
#define SAMPLER_VECTORS    SAMPLER_RUN_START
#define SAMPLER_IS_COPIED  1

#define STATION_INTERRUPTS 124
#define SAMPLER_INTERRUPTS 124

/* Bit 1 of the wait register holds the second core back while it is set. */
#define RELEASE_VECTOR_REGISTER  0x50021114
#define RELEASE_CONTROL_REGISTER 0x50021118
#define RELEASE_MASK             0x2
#define RELEASE_VALUE            0x0
#define RELEASE_KEY_MASK         0x0
#define RELEASE_KEY_VALUE        0x0

#define SERIAL_BASE        0x50200000
#define PROCESSOR_HZ       20000000
#define HAS_FLOAT_UNIT     0

#endif
