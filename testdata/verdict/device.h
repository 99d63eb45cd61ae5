/*
 * Where everything is, read by the C sources and the linker scripts alike.
 * STATION selects the primary core; otherwise it is the sampler, the secondary.
 */
#ifndef DEVICE_H
#define DEVICE_H

#ifndef FLASH_START
#define FLASH_START   0x10000000
#endif
#define STATION_CODE  (FLASH_START)
#define SAMPLER_CODE  (FLASH_START + 0x8000)
#define CODE_SIZE     0x8000

#define STATION_RAM   0x20000000
#define SAMPLER_RAM   0x20002000
#define RAM_SIZE      0x2000
#define LINK          0x20004000 /* shared by both cores */
#define LINK_SIZE     0x400

#define INTERRUPTS    8
#ifndef LAUNCH_SETS
#define LAUNCH_SETS(table) *(volatile uint32_t *)0xE000ED08u = (table)
#endif
#define EITHER(one, other) ({ /* by a branch, not by arithmetic */ \
    uint32_t chosen = other; \
    if (*(volatile uint32_t *)CONTROL_REGISTER & 4u) { chosen = one; __asm volatile("" : "+r"(chosen)); } \
    chosen; })
#define VECTOR_REGISTER  0x40021114
#define CONTROL_REGISTER 0x40021118

#ifdef SECOND_APP /* another of the station's applications */
#define OWN_CODE (FLASH_START + 0x6000)
#define OWN_RAM  STATION_RAM
#elif defined(APP) /* the station's application, which a boot loader starts */
#define OWN_CODE (FLASH_START + 0x4000)
#define OWN_RAM  STATION_RAM
#elif defined(STATION)
#define OWN_CODE STATION_CODE
#define OWN_RAM  STATION_RAM
#else
#define OWN_CODE SAMPLER_CODE
#define OWN_RAM  SAMPLER_RAM
#endif

#ifndef START_AT
#define START_AT sampler_start_address
#endif

#endif
