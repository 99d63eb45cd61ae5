/* What both cores share, as C and C++ see it. */
#ifndef LINK_H
#define LINK_H

#include <stdint.h>

enum Quality { QUALITY_GOOD = 0, QUALITY_POOR = 1, QUALITY_LOST = QUALITY_LOST_VALUE };

struct Frame {
    uint32_t level;
    uint16_t battery;
    uint8_t quality; /* enum Quality */
    uint8_t reserved;
};

struct Link {
    uint32_t sequence;
    struct Frame frames[4];
    uint32_t turn;
};

#endif
