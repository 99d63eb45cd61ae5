/* From reset to main on the station: vector table, initialised data, cleared data, float unit. */
#include <stdint.h>

#include "station.h"

/* Set by the linker script; only their addresses mean anything. */
extern uint32_t station_stack_top;
extern uint32_t data_start;
extern uint32_t data_end;
extern const uint32_t data_stored;
extern uint32_t bss_start;
extern uint32_t bss_end;

void reset_handler(void);

union vector {
    void *stack;
    void (*handler)(void);
};

/* Every exception that nobody expects: the number in IPSR says which one it was. */
static void unexpected_exception(void)
{
    uint32_t number;

    __asm volatile("mrs %0, ipsr" : "=r"(number));
    report_exception(number);
    for (;;) {
        __asm volatile("wfi");
    }
}

__attribute__((section(".vectors"), used))
const union vector vector_table[16 + STATION_INTERRUPTS] = {
    [0] = { .stack = &station_stack_top },
    [1] = { .handler = reset_handler },
    [2] = { .handler = unexpected_exception },  /* NMI */
    [3] = { .handler = unexpected_exception },  /* HardFault */
    [4] = { .handler = unexpected_exception },  /* MemManage */
    [5] = { .handler = unexpected_exception },  /* BusFault */
    [6] = { .handler = unexpected_exception },  /* UsageFault */
#if __ARM_ARCH >= 8
    [7] = { .handler = unexpected_exception },  /* SecureFault */
#endif
    [11] = { .handler = unexpected_exception }, /* SVCall */
    [12] = { .handler = unexpected_exception }, /* DebugMonitor */
    [14] = { .handler = unexpected_exception }, /* PendSV */
    [15] = { .handler = unexpected_exception }, /* SysTick: polled, its interrupt stays off */
    [16 ... 15 + STATION_INTERRUPTS] = { .handler = unexpected_exception },
};

#if HAS_FLOAT_UNIT
#define COPROCESSOR_ACCESS (*(volatile uint32_t *)0xE000ED88)

/* Coprocessors 10 and 11 are the float unit; reset leaves access to them denied. */
static void enable_float_unit(void)
{
    COPROCESSOR_ACCESS |= 0xFu << 20;
    __asm volatile("dsb 0xF\n\tisb 0xF" ::: "memory");
}
#endif

void reset_handler(void)
{
    const uint32_t *from = &data_stored;

#if HAS_FLOAT_UNIT
    enable_float_unit();
#endif
    for (uint32_t *to = &data_start; to < &data_end; to++) {
        *to = *from++;
    }
    for (uint32_t *to = &bss_start; to < &bss_end; to++) {
        *to = 0u;
    }
    run_station();
    for (;;) {
        __asm volatile("wfi");
    }
}
