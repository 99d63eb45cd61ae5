/* The side that starts: vectors, constants, and its view of what is shared. */
#include "link.h"

#define SHARED(name) __attribute__((section(".link." #name), used))

SHARED(link_ring) volatile link_ring_t link_ring;
SHARED(link_nodes) struct link_node link_nodes[2];
SHARED(link_log) union {
    struct link_log log;
    uint8_t room[32];
} link_log;

__attribute__((used)) const uint32_t link_version = PROTOCOL;
__attribute__((used)) const uint32_t image_length = 0xFFFFFFFF;
__attribute__((used)) const uint32_t sampler_start_address = 0x10001000;

void other_handler(void)
{
    for (;;) {
    }
}

void reset_handler(void)
{
    static const enum link_protocol spoken = LINK_PROTOCOL;
    link_ring.frames[0].quality = LINK_ROUGH;
    link_ring.version = spoken;
    other_handler();
}

extern uint32_t stack_top;

__attribute__((section(".vectors"), used)) const void *const vectors[32] = {
    &stack_top,    reset_handler, other_handler, other_handler, other_handler, other_handler, other_handler,
    other_handler, 0,             0,             0,             other_handler, other_handler, 0,
    other_handler, other_handler, [16 ... 31] = other_handler,
};
