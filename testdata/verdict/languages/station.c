/* The primary core in C: what it shares is volatile, or atomic with -DATOMIC. */
#include "device.h"
#include "link.h"

#ifdef ATOMIC
#define SHARED _Atomic
#else
#define SHARED volatile
#endif

extern uint32_t _estack, _sdata, _edata, _sbss, _ebss;
extern const uint32_t _sidata;

__attribute__((section(".link.a"))) volatile struct Link link;
__attribute__((section(".link.b"))) SHARED uint32_t link_turn;
__attribute__((section(".link.c"))) volatile uint32_t link_words[4];
__attribute__((section(".link.d"))) volatile enum Quality link_quality;

/* What each language writes in its own way, with the same bytes in Rust. */
enum Trend { TREND_FALLING = -1, TREND_STEADY = 0, TREND_RISING = 1 };

struct Report {
    union {
        uint32_t raw;
        struct {
            uint16_t low, high;
        };
    };
    uint32_t ready : 1;
    uint32_t errorCount : 31;
    enum Trend trend;
    uint8_t reserved[3];
};

struct Node {
    struct Node *next;
    void (*done)(uint32_t);
    uint32_t useCount;
};

struct Sample {
    uint32_t value;
    uint32_t stamp;
};

__attribute__((section(".link.e"), used)) volatile struct Report link_report;
__attribute__((section(".link.f"), used)) volatile struct Node link_node;
__attribute__((section(".link.g"), used)) volatile struct Sample link_samples[2];

uint32_t level = 2480;

static void hold(void)
{
    for (;;) {
        __asm volatile("wfi");
    }
}

void reset_handler(void);

union vector {
    void *stack;
    void (*handler)(void);
};

__attribute__((section(".vectors"), used)) const union vector vector_table[16 + INTERRUPTS] = {
    [0] = { .stack = &_estack },
    [1] = { .handler = reset_handler },
    [2 ... 3] = { .handler = hold },
    [11] = { .handler = hold },
    [14 ... 15 + INTERRUPTS] = { .handler = hold },
};

__attribute__((section(".constants"), used)) const volatile uint32_t sampler_start_address = SAMPLER_CODE;

void reset_handler(void)
{
    const uint32_t *from = &_sidata;
    for (uint32_t *to = &_sdata; to < &_edata; to++) {
        *to = *from++;
    }
    for (uint32_t *to = &_sbss; to < &_ebss; to++) {
        *to = 0u;
    }
    *(volatile uint32_t *)VECTOR_REGISTER = sampler_start_address;
    *(volatile uint32_t *)CONTROL_REGISTER = 0u;
    for (;;) {
        level += link.frames[link_turn % 4u].level + link_words[1] + (uint32_t)link_quality;
        link_turn = level;
    }
}
