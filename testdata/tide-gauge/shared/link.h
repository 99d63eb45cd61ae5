/*
 * The link between the two cores: one area of RAM that both see at one address.
 *
 * Both teams compile this header, each with its own compiler and options, so
 * every offset below is a promise. Who writes what:
 *
 *   field             written by   meaning
 *   offer             station      LINK_OFFER once the area is cleared
 *   offered_version   station      protocol the station speaks
 *   answer            sampler      LINK_READY, or LINK_REFUSED
 *   answered_version  sampler      protocol the sampler speaks
 *   written           sampler      frames put into the ring since the start
 *   taken             station      frames taken out of the ring since the start
 *   finished          sampler      1 after the last frame
 *   greeting          sampler      text ending in a zero byte, valid with LINK_READY
 *   frames            sampler      the ring; frame n lies at n modulo LINK_DEPTH
 *
 * No core writes what the other one writes, so no lock is needed; a data memory
 * barrier stands between a message and the word that announces it. Neither
 * start-up code clears the area: the station does, before it releases the sampler.
 */
#ifndef LINK_H
#define LINK_H

#include <stdint.h>

#define LINK_VERSION 1u
#define LINK_OFFER   0x45444954u /* "TIDE" in memory order */
#define LINK_READY   0x59444552u /* "REDY" */
#define LINK_REFUSED 0x4F4E4F4Eu /* "NONO" */
#define LINK_DEPTH   4u
#define LINK_GREETING_SIZE 64u

enum link_quality {
    LINK_QUALITY_GOOD,  /* the samples agree */
    LINK_QUALITY_ROUGH, /* waves: the samples spread widely */
};

/*
 * One reading. The width of an enumeration is the compiler's choice, and it
 * decides the size of this structure: the contract in the layout names it.
 */
struct link_frame {
    uint32_t sequence;         /* 1 for the first frame */
    uint32_t pressure_pa;      /* filtered pressure of the water column, pascal */
    int32_t level_mm;          /* water level above chart datum, millimetres */
    uint16_t spread_pa;        /* largest minus smallest sample, pascal */
    enum link_quality quality;
};

struct link_area {
    uint32_t offer;
    uint32_t offered_version;
    uint32_t answer;
    uint32_t answered_version;
    uint32_t written;
    uint32_t taken;
    uint32_t finished;
    char greeting[LINK_GREETING_SIZE];
    struct link_frame frames[LINK_DEPTH];
};

extern volatile struct link_area link_frames;

/* Orders every access to the link before it against every one after it. */
static inline void link_barrier(void)
{
    __asm volatile("dmb 0xF" ::: "memory");
}

#endif
