// The secondary core in C++: atomics, arrays, a base class without members, a type of its own for a number.
#include <array>
#include <atomic>
#include <cstdint>

#include "device.h"
#include "link.h"

namespace second {

struct Unshared {};

struct Link : Unshared {
    std::atomic<std::uint32_t> sequence;
    std::array<Frame, 4> frames;
    std::atomic<std::uint32_t> turn;
};

} // namespace second

extern "C" {
extern uint32_t _estack, _sdata, _edata, _sbss, _ebss;
extern const uint32_t _sidata;

__attribute__((section(".link.a"))) second::Link link;
__attribute__((section(".link.b"))) std::atomic<std::uint32_t> link_turn;
__attribute__((section(".link.c"))) std::array<std::atomic<std::uint32_t>, 4> link_words;
__attribute__((section(".link.d"))) volatile Quality link_quality;

static void hold()
{
    for (;;) {
        __asm volatile("wfi");
    }
}

void reset_handler();

union vector {
    void *stack;
    void (*handler)();
};

__attribute__((section(".vectors"), used)) extern const vector vector_table[24] = {
    { &_estack },
    { .handler = reset_handler },
    { .handler = hold }, { .handler = hold }, {}, {}, {}, {}, {}, {}, {},
    { .handler = hold }, {}, {},
    { .handler = hold }, { .handler = hold }, { .handler = hold }, { .handler = hold }, { .handler = hold },
    { .handler = hold }, { .handler = hold }, { .handler = hold }, { .handler = hold }, { .handler = hold },
};

void reset_handler()
{
    for (uint32_t *to = &_sbss; to < &_ebss; to++) {
        *to = 0u;
    }
    for (uint32_t count = 0;; count++) {
        link.frames[0].level = count;
        link_words[0].store(count, std::memory_order_relaxed);
        link_quality = QUALITY_POOR;
        link.sequence.store(count, std::memory_order_release);
        link_turn.store(count, std::memory_order_release);
    }
}
}
