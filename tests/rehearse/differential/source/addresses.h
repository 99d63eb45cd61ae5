/* Plain numbers without suffixes: the C sources and the linker script read this file. */
#ifndef ADDRESSES_H
#define ADDRESSES_H

#define FLASH 0x10000000
#define STATION_CODE 0x10000000
#define SAMPLER_CODE 0x10010000
#define CODE_SIZE 0x10000
#define STATION_RAM 0x38000000
#define SAMPLER_RAM 0x38008000
#define RAM_SIZE 0x8000
#define LINK_AREA 0x38010000

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
