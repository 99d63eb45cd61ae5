/*
 * What both sides share, with one example of everything that a compiler lays out in its own way.
 * The Makefile changes one thing at a time with the macros below and with options.
 */
#ifndef LINK_H
#define LINK_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#ifndef PACKED
#define PACKED
#endif
#ifndef CHANNEL_BITS
#define CHANNEL_BITS 5
#endif
#ifndef SPREAD
#define SPREAD uint16_t
#endif
#ifndef TIME_ALIGNMENT
#define TIME_ALIGNMENT 8
#endif
#ifndef PROTOCOL
#define PROTOCOL 3
#endif
#ifndef DEPTH
#define DEPTH 4
#endif
#ifndef SWELL
#define SWELL 2
#endif

enum link_protocol { LINK_PROTOCOL = PROTOCOL, LINK_DEPTH = DEPTH };

enum link_quality { LINK_GOOD, LINK_ROUGH, LINK_SWELL = SWELL };

enum link_trend { LINK_FALLING = -1, LINK_STEADY, LINK_RISING };

struct link_flags {
    uint32_t valid : 1;
    uint32_t channel : CHANNEL_BITS;
    int32_t trend : 7;
    uint32_t : 3;
    uint32_t count : 12;
    uint8_t tail;
    uint8_t low : 4, high : 4;
};

union link_value {
    uint32_t raw;
    float level;
    uint8_t bytes[4];
    struct {
        uint16_t lower;
        uint16_t upper;
    };
};

typedef uint64_t link_time __attribute__((aligned(TIME_ALIGNMENT)));

struct link_sample {
    char mark;
    enum link_trend trend;
    uint16_t count;
    link_time time;
} PACKED;

struct link_frame {
    uint32_t sequence;
    enum link_quality quality;
#ifdef SWAPPED
    union link_value value;
    SPREAD spread;
#else
    SPREAD spread;
    union link_value value;
#endif
    struct link_flags flags;
    struct link_sample samples[2][3];
};

struct link_name {
    uint8_t length;
#ifdef LONG_NAMES
    char text[31];
#else
    char text[15];
#endif
};

struct link_node {
    struct link_node *next;
    const struct link_name *name;
    volatile uint32_t value;
};

struct link_hidden;

typedef struct {
    struct link_frame frames[DEPTH];
    struct link_node *first;
    struct link_hidden *hidden;
    void (*notify)(int reason);
    char (*texts)[8];
    union {
        struct {
            uint8_t minor;
            uint8_t major;
        };
        uint16_t version;
    };
    bool full;
    wchar_t unit[4];
    long double calibration[2];
    struct {
        int16_t x, y;
    } where;
} link_ring_t;

struct link_log {
    uint32_t length;
    uint8_t bytes[];
};

#endif
