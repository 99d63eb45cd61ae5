/*
 * A small device for rehearsals; no such part exists. Plain numbers without
 * suffixes: the C sources and the linker scripts read this file.
 */
#ifndef DEVICE_H
#define DEVICE_H

#define STATION_CODE 0x10000000
#define SAMPLER_CODE 0x10008000 /* where the sampler is stored */
#define CODE_SIZE    0x4000
#define COPY_SIZE    0x1000     /* what the station copies of it */

/* The station sees the RAM from 0x20000000 on, the sampler from 0x30000000. */
#define STATION_RAM  0x20000000
#define SAMPLER_RAM  0x30004000
#define RAM_SIZE     0x4000
#define SAMPLER_RUN  0x30008000 /* where the sampler runs ... */
#define SAMPLER_COPY 0x20008000 /* ... and where the station writes it */
#define STATION_LINK 0x2000C000
#define SAMPLER_LINK 0x3000C000
#define SAMPLER_RAM_FROM_STATION 0x20004000

#define STATION_STACK 0x400
#define SAMPLER_STACK 0x200

#define VECTOR_REGISTER  0x50000010
#define CONTROL_REGISTER 0x50000014
#define RELEASE_KEY      0x5AFE0000
#define RELEASE          0x1
#define LOCK             0x50000020
#define RAISE_ON_SAMPLER 0x50000030
#define TAKE_FROM_SAMPLER 0x50000034
#define RAISE_ON_STATION 0x50000040
#define TAKE_FROM_STATION 0x50000044
#define STATUS           0x50000050
#define STATUS_SAMPLER_SLEEPS 0x1
#define STATUS_SAMPLER_LOCKED 0x2
#define NOBODYS          0x50000060

#define SERIAL_DATA  0x50010000
#define SERIAL_READY 0x50010008
#define LAMPS        0x50010010
#define LAMPS_SET    0x50010014
#define LAMPS_CLEAR  0x50010018
#define DIVIDER      0x5001001C

#define INTERRUPT_OF_STATION 3
#define INTERRUPT_OF_SAMPLER 5
#define INTERRUPTS 16

#endif
