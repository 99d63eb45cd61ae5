/* Plain numbers without suffixes: the C sources and the linker script read this file. */
#ifndef ADDRESSES_H
#define ADDRESSES_H

#define STATION_CODE 0x10000000
#define SAMPLER_CODE 0x10040000
#define CODE_SIZE    0x40000
#define STATION_RAM  0x38000000
#define SAMPLER_RAM  0x38010000
#define RAM_SIZE     0x10000
#define LINK_AREA    0x38020000

#define VECTOR_REGISTER  0x50021114 /* where the sampler's vectors are */
#define CONTROL_REGISTER 0x50021118 /* the sampler waits while bit 1 is set */

/* One line each way, interrupt 6 on both cores: what is pending, set, clear. */
#define TO_STATION_PENDING 0x50003000
#define TO_STATION_SET     0x50003004
#define TO_STATION_CLEAR   0x50003008
#define TO_SAMPLER_PENDING 0x50003010
#define TO_SAMPLER_SET     0x50003014
#define TO_SAMPLER_CLEAR   0x50003018
#define DOORBELL           6

#define STATION_SERIAL 0x50200000
#define SAMPLER_SERIAL 0x50201000

#ifdef STATION
#define OWN_CODE   STATION_CODE
#define OWN_RAM    STATION_RAM
#define OWN_SERIAL STATION_SERIAL
#else
#define OWN_CODE   SAMPLER_CODE
#define OWN_RAM    SAMPLER_RAM
#define OWN_SERIAL SAMPLER_SERIAL
#endif

#define INTERRUPTS 16

#endif
