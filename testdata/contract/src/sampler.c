/* The side that is released: its own vectors, the same shared objects. */
#include "link.h"

#define SHARED(name) __attribute__((section(".link." #name), used))

SHARED(link_nodes) struct link_node link_nodes[2];
SHARED(link_ring) volatile link_ring_t link_ring;
#ifdef INITIALISED_LOG
SHARED(link_log) uint8_t link_log[32] = {1, 2, 3};
#else
SHARED(link_log) union {
    struct link_log log;
    uint8_t room[32];
} link_log;
#endif

__attribute__((used)) const uint32_t link_version = PROTOCOL;

void other_handler(void)
{
    for (;;) {
    }
}

void reset_handler(void)
{
    link_ring.frames[1].quality = LINK_GOOD;
    link_ring.frames[0].samples[1][2].trend = LINK_FALLING;
    link_ring.version = LINK_PROTOCOL;
    other_handler();
}

extern uint32_t stack_top;

__attribute__((section(".vectors"), used)) const void *const vectors[32] = {
    &stack_top,    reset_handler, other_handler, other_handler, other_handler, other_handler, other_handler,
    other_handler, 0,             0,             0,             other_handler, other_handler, 0,
    other_handler, other_handler, [16 ... 31] = other_handler,
};
