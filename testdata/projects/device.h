/*
 * The device as the tide gauge's sources know it, with every address and size out of the layout.
 * What is not in a layout is the board's: clock, serial port, the name in the banner.
 */
#ifndef DEVICE_H
#define DEVICE_H

#include "layout.h" /* gemel export c-header */

#ifdef SAMPLER_RUN_START
#define SAMPLER_IS_COPIED 1
#else
#define SAMPLER_IS_COPIED 0
#endif

#define RELEASE_VECTOR_REGISTER  SAMPLER_RELEASE_VECTOR_REGISTER
#define RELEASE_CONTROL_REGISTER SAMPLER_RELEASE_CONTROL_REGISTER
#define RELEASE_MASK             SAMPLER_RELEASE_MASK
#define RELEASE_VALUE            SAMPLER_RELEASE_VALUE
#ifdef SAMPLER_RELEASE_KEY_MASK
#define RELEASE_KEY_MASK         SAMPLER_RELEASE_KEY_MASK
#define RELEASE_KEY_VALUE        SAMPLER_RELEASE_KEY_VALUE
#else
#define RELEASE_KEY_MASK         0x0
#define RELEASE_KEY_VALUE        0x0
#endif

#ifdef BOARD_TWO_BANKS
#define DEVICE_ARRANGEMENT "two-banks"
#define SERIAL_BASE        0x40020000
#define PROCESSOR_HZ       64000000
#define HAS_FLOAT_UNIT     1
#else
#if SAMPLER_IS_COPIED
#define DEVICE_ARRANGEMENT "copied"
#else
#define DEVICE_ARRANGEMENT "in-place"
#endif
#define SERIAL_BASE        0x50200000
#define PROCESSOR_HZ       20000000
#define HAS_FLOAT_UNIT     0
#endif

#endif
