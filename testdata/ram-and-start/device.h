/*
 * Where everything lies: plain numbers, read by the C sources and the linker scripts.
 * Each can be replaced with -D, which is how the faulty builds are made.
 */
#ifndef DEVICE_H
#define DEVICE_H

#define STATION_CODE  0x10000000
#define SAMPLER_CODE  0x10004000 /* where it is stored */
#define CODE_SIZE     0x4000

#define STATION_RAM   0x38000000
#define SAMPLER_RAM   0x38002000
#define RAM_SIZE      0x2000
#define LINK          0x38004000 /* both cores' */
#define LINK_SIZE     0x400
#define SAMPLER_RUN   0x38005000 /* where it runs once it is copied */
#define RUN_SIZE      0x1000

#define INTERRUPTS    8
#define VECTOR_REGISTER  0x50021114
#define CONTROL_REGISTER 0x50021118

#endif
