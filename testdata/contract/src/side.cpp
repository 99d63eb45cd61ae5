// One side in C++; SAMPLER chooses which.
#include "link.hpp"

#define SHARED __attribute__((section(".link.objects"), used))

namespace link {
SHARED FrameRing ring;
uint32_t Frame::made;
__attribute__((used)) Inner *inner;
} // namespace link

extern "C" {
#ifndef SAMPLER
__attribute__((used)) extern const uint32_t image_length = 0xFFFFFFFF;
__attribute__((used)) extern const uint32_t sampler_start_address = 0x10001000;
#endif

void other_handler()
{
    for (;;) {
    }
}

void reset_handler()
{
    link::ring.items[0].mode = link::Mode::measuring;
    link::Frame::made = link::ring.items[1].total();
    other_handler();
}

extern uint32_t stack_top;

__attribute__((section(".vectors"), used)) void (*const vectors[8])() = {
    reinterpret_cast<void (*)()>(&stack_top), reset_handler, other_handler, other_handler,
    other_handler, other_handler, other_handler, other_handler,
};
}
