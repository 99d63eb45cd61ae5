/*
 * Where everything lies on a device with two flash banks and two unlike cores:
 * an Armv7E-M station with a float unit, an Armv6-M sampler. The device is
 * made up; no such part exists.
 *
 * Plain numbers without suffixes: the C sources and both linker scripts read
 * this file. Each team keeps its own copy of such a file in real life, which is
 * how they come to differ.
 */
#ifndef DEVICE_H
#define DEVICE_H

#define DEVICE_ARRANGEMENT "two-banks"

#define STATION_CODE_START 0x08000000 /* bank 1 */
#define STATION_CODE_SIZE  0x8000
#define SAMPLER_CODE_START 0x0A000000 /* bank 2 */
#define SAMPLER_CODE_SIZE  0x4000

#define STATION_RAM_START  0x20000000
#define STATION_RAM_SIZE   0x10000
#define SAMPLER_RAM_START  0x30000000 /* as the sampler sees it; the station sees it at 0x20080000 */
#define SAMPLER_RAM_SIZE   0x4000
#define LINK_START         0x20100000 /* both cores see it here */
#define LINK_SIZE          0x1000

/* The sampler's vector table lies at the start of its code. */
#define SAMPLER_VECTORS    SAMPLER_CODE_START
#define SAMPLER_IS_COPIED  0

#define STATION_INTERRUPTS 82
#define SAMPLER_INTERRUPTS 32

/* The control register takes a write only with the key in its upper half. */
#define RELEASE_VECTOR_REGISTER  0x40010010
#define RELEASE_CONTROL_REGISTER 0x40010014
#define RELEASE_MASK             0x1
#define RELEASE_VALUE            0x1
#define RELEASE_KEY_MASK         0xFFFF0000u /* for the C sources only */
#define RELEASE_KEY_VALUE        0x5AFE0000

#define SERIAL_BASE        0x40020000
#define PROCESSOR_HZ       64000000
#define HAS_FLOAT_UNIT     1

#endif
