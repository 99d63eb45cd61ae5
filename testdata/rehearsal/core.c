/* From reset to run(), and every fault that either core can be built with. */
#include "core.h"

extern uint32_t stack_top;
extern uint32_t data_start;
extern uint32_t data_end;
extern const uint32_t data_stored;
extern uint32_t bss_start;
extern uint32_t bss_end;

void reset_handler(void);
void unexpected(void);

union vector {
    void *stack;
    void (*handler)(void);
    uint32_t word;
};

#define ANY { .handler = unexpected }
#define OWN { .handler = on_interrupt }

#define HARD_FAULT (FAULT == FAULT_WITHOUT_HANDLER ? (void (*)(void))0 : unexpected)

__attribute__((section(".vectors"), used))
const union vector vector_table[16 + INTERRUPTS] = {
    { .stack = &stack_top }, { .handler = reset_handler }, ANY, { .handler = HARD_FAULT },
    ANY, ANY, ANY, ANY, { .word = 0 }, { .word = 0 }, { .word = 0 }, ANY, ANY, { .word = 0 }, ANY, ANY,
#define AT(n) (FAULT == BAD_INTERRUPT_VECTOR ? (void (*)(void))0x40000000 : on_interrupt)
    ANY, ANY, ANY, { .handler = AT(3) }, ANY, { .handler = AT(5) }, ANY, ANY,
    ANY, ANY, ANY, ANY, ANY, ANY, ANY, ANY,
};

void unexpected(void)
{
    for (;;) {
        __asm volatile("wfi");
    }
}

void reset_handler(void)
{
    const uint32_t *from = &data_stored;

    for (uint32_t *to = &data_start; to < &data_end; to++) {
        *to = *from++;
    }
    for (uint32_t *to = &bss_start; to < &bss_end; to++) {
        *to = 0u;
    }
    run();
    for (;;) {
        __asm volatile("wfi");
    }
}

static uint32_t data_word = 0x12345678;
static uint32_t calls_made;

__attribute__((noinline)) static uint32_t recurse(uint32_t depth)
{
    volatile uint32_t kept[4];

    kept[depth & 3u] = depth;
    calls_made++;
    return depth ? recurse(depth - 1u) + kept[depth & 3u] : depth;
}

__attribute__((noinline)) static void call(uint32_t address)
{
    ((void (*)(void))address)();
}

/* The compiler must not see that the address it is called with is not aligned. */
__attribute__((noinline, noclone, noipa)) static uint32_t load(const volatile uint32_t *from)
{
    return *from;
}

/* Commits the fault that this build was made for. `OTHER_RAM` is the other core's. */
void fault(enum fault which)
{
    switch (which) {
    case UNMAPPED_READ:
        data_word = REGISTER(0x60000000);
        break;
    case UNMAPPED_WRITE:
        REGISTER(0x60000000) = 1u;
        break;
    case JUMP_INTO_DATA:
        call((uint32_t)&data_word | 1u);
        break;
    case JUMP_TO_NULL:
        call(1u);
        break;
    case UNDEFINED_INSTRUCTION:
        __asm volatile("udf 7");
        break;
    case BREAKPOINT:
    case FAULT_WITHOUT_HANDLER:
        __asm volatile("bkpt 1");
        break;
#if __ARM_ARCH >= 8
    case UNALIGNED_PAIR: {
        uint32_t address = (uint32_t)&data_word + 1u;

        __asm volatile("ldrex r0, [%0]" ::"r"(address) : "r0");
        break;
    }
#endif
    case UNALIGNED_WORD:
        data_word = load((const volatile uint32_t *)((uint32_t)&data_word + 2u));
        break;
    case NO_THUMB_BIT:
        call((uint32_t)unexpected & ~1u);
        break;
    case FLOAT_INSTRUCTION:
        __asm volatile(".inst.n 0xee07\n\t.inst.n 0x3a90"); /* vmov s15, r3 */
        break;
    case DSP_INSTRUCTION:
        __asm volatile(".inst.n 0xfa81\n\t.inst.n 0xf002" ::: "r0"); /* sadd8 r0, r1, r2 */
        break;
    case WRITE_TO_FLASH:
        REGISTER(STATION_CODE + 0x3000) = 1u;
        break;
    case WRITE_TO_OTHER_CORE:
        REGISTER(OTHER_RAM) = 0xCAFEu;
        break;
    case WRITE_TO_OWN_CODE:
        REGISTER((uint32_t)recurse & ~3u) = 0u;
        break;
    case DEEP_RECURSION:
        data_word = recurse(64u);
        break;
    case READ_OF_UNWRITTEN:
        data_word = REGISTER(OWN_RAM + 0x2000u);
        break;
    case TOUCHES_SERIAL:
        REGISTER(SERIAL_DATA) = '!';
        break;
    case TOUCHES_NOBODYS:
        REGISTER(NOBODYS) = 1u;
        break;
    case ENDLESS_LOOP:
        for (;;) {
        }
    case WAITS_FOR_NOTHING:
        while (*(volatile uint32_t *)&data_word == 0x12345678u) {
        }
        break;
    case COUNTS_FOR_EVER:
        for (;;) {
            (*(volatile uint32_t *)&data_word)++;
        }
    case GIVES_BACK_TWICE:
        give_lock();
        break;
    case ASKS_FOR_RESET:
        REGISTER(0xE000ED0C) = 0x05FA0004u;
        break;
    default:
        break;
    }
}
