/* Plain numbers without suffixes: the C sources and the linker script read this file. */
#ifndef ADDRESSES_H
#define ADDRESSES_H

#ifndef FLASH /* else all of these are defined for a board with one core */
#define FLASH 0x10000000
#define RAM 0x38000000
#define RAM_SIZE 0x8000
#ifdef STATION
#define SERIAL 0x50200000
#else
#define SERIAL 0x50201000
#endif
#define CONTROL 0x50021114
#define INTERRUPTS 96
#define TWO_CORES
#endif

#define CODE_SIZE 0x10000
#define STATION_CODE FLASH
#define SAMPLER_CODE (FLASH + CODE_SIZE)
#define STATION_RAM RAM
#define SAMPLER_RAM (RAM + RAM_SIZE)
#define LINK_AREA (RAM + 2 * RAM_SIZE)

#ifdef STATION
#define OWN_CODE STATION_CODE
#define OWN_RAM STATION_RAM
#else
#define OWN_CODE SAMPLER_CODE
#define OWN_RAM SAMPLER_RAM
#endif
#ifndef RUNS_AT
#define RUNS_AT OWN_CODE
#endif

#endif
