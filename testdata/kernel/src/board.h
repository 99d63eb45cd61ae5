/* What every program needs: the serial port, the other core, the link between the two. */
#ifndef BOARD_H
#define BOARD_H

#include <stdint.h>

#include "addresses.h"

#ifndef REGISTER
#define REGISTER(address) (*(volatile uint32_t *)(address))
#endif

#ifdef STATION
#define NAME "station: "
#else
#define NAME "sampler: "
#endif

/* Frames from the sampler to the station; the station clears it before the release. */
#define FRAMES_MOST 4u
struct frame {
    uint32_t number;
    uint32_t median;
    uint32_t smoothed; /* the bits of a float */
};
struct link {
    uint32_t written; /* by the sampler */
    uint32_t taken;   /* by the station */
    struct frame frames[FRAMES_MOST];
};
#define LINK ((volatile struct link *)LINK_AREA)

#ifdef __cplusplus
extern "C" {
#endif
void put_character(char character);
void put_text(const char *text);
void put_number(uint32_t number);
void put_hex(uint32_t number);

/* The other core rings; each program has its own handler. */
void doorbell_handler(void);
#ifdef __cplusplus
}
#endif

static inline void barrier(void)
{
    __asm volatile("dmb 0xF" ::: "memory");
}

static inline uint32_t bits_of(float value)
{
    union {
        float value;
        uint32_t bits;
    } both;

    both.value = value;
    return both.bits;
}

static inline void enable_doorbell(void)
{
    REGISTER(0xE000E400 + (DOORBELL & ~3)) = 0x80u << 8 * (DOORBELL & 3);
    REGISTER(0xE000E100) = 1u << DOORBELL;
}

static inline void release_sampler(void)
{
    for (uint32_t i = 0; i < sizeof(struct link) / 4u; i++) {
        ((volatile uint32_t *)LINK_AREA)[i] = 0u;
    }
    REGISTER(VECTOR_REGISTER) = SAMPLER_CODE;
    __asm volatile("dsb 0xF" ::: "memory");
    REGISTER(CONTROL_REGISTER) = 0u;
}

#endif
