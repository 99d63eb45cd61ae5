/* From reset to `scenario` and to the last line, for both cores. A program may define any handler itself. */
#include "board.h"

extern uint32_t stack_top;
extern uint32_t data_start;
extern uint32_t data_end;
extern const uint32_t data_stored;
extern uint32_t bss_start;
extern uint32_t bss_end;

void reset_handler(void);

volatile char trace_letters[64];
volatile uint32_t trace_count;

__attribute__((noinline, used)) void default_handler(void)
{
    for (;;) {
        NOP();
    }
}

#define WEAK __attribute__((weak, alias("default_handler")))
void nmi_handler(void) WEAK;
void hard_fault_handler(void) WEAK;
void mem_manage_handler(void) WEAK;
void bus_fault_handler(void) WEAK;
void usage_fault_handler(void) WEAK;
void secure_fault_handler(void) WEAK;
void svc_handler(void) WEAK;
void debug_monitor_handler(void) WEAK;
void pendsv_handler(void) WEAK;
void systick_handler(void) WEAK;
void doorbell_handler(void) WEAK;
void irq60_handler(void) WEAK;
void irq61_handler(void) WEAK;
void irq62_handler(void) WEAK;
void irq63_handler(void) WEAK;
void irq64_handler(void) WEAK;
void irq65_handler(void) WEAK;

union vector {
    void *stack;
    void (*handler)(void);
    uint32_t word;
};

#ifndef VECTOR_3
#define VECTOR_3 { .handler = hard_fault_handler }
#endif
#ifndef VECTOR_1
#define VECTOR_1 { .handler = reset_handler }
#endif
#ifndef VECTOR_0
#define VECTOR_0 { .stack = &stack_top }
#endif
#ifndef VECTOR_76
#define VECTOR_76 { .handler = irq60_handler }
#endif

__attribute__((section(".vectors"), used)) const union vector vector_table[16 + INTERRUPTS] = {
    VECTOR_0, VECTOR_1, { .handler = nmi_handler }, VECTOR_3,
    { .handler = mem_manage_handler }, { .handler = bus_fault_handler }, { .handler = usage_fault_handler },
    { .handler = secure_fault_handler }, { .word = 0 }, { .word = 0 }, { .word = 0 },
    { .handler = svc_handler }, { .handler = debug_monitor_handler }, { .word = 0 },
    { .handler = pendsv_handler }, { .handler = systick_handler },
    [16 ... 15 + INTERRUPTS] = { .handler = default_handler },
    [16 + DOORBELL] = { .handler = doorbell_handler },
    [16 + FIRST_IRQ] = VECTOR_76, { .handler = irq61_handler }, { .handler = irq62_handler },
    { .handler = irq63_handler }, { .handler = irq64_handler }, { .handler = irq65_handler },
};

/* Where a core goes once its work is done. */
__attribute__((noinline, used)) void rest(void)
{
#ifdef AWAITS_INTERRUPT
    if (MRS("ipsr") != 0 || (MRS("control") & 1) == 0) {
        enable_irq(INTERRUPTS - 1, 0); /* which never comes, but could */
    }
#endif
    for (;;) {
        WFI();
    }
}

#ifdef STATION

#ifndef SAMPLER_VECTORS
#define SAMPLER_VECTORS SAMPLER_CODE
#endif

__attribute__((weak)) void release_sampler(void)
{
    VECTOR_REGISTER = SAMPLER_VECTORS;
    DSB();
    CONTROL_REGISTER = CONTROL_REGISTER & ~2u;
}

__attribute__((noinline, used)) void wait_for_sampler(void)
{
#ifdef PATIENCE
    for (uint32_t i = 0; i < PATIENCE; i++) {
        if (LINK->sampler_done) {
            return;
        }
    }
    say("sampler silent");
    rest();
#else
    while (!LINK->sampler_done) {
        __asm volatile("yield");
    }
#endif
}

static void run(void)
{
    for (uint32_t i = 0; i < sizeof(struct link) / 4; i++) {
        ((volatile uint32_t *)LINK_AREA)[i] = 0;
    }
    DSB();
#ifdef SCENARIO_BEFORE_RELEASE
    scenario();
    release_sampler();
#else
    release_sampler();
    scenario();
#endif
#ifdef TWO_CORES
    wait_for_sampler();
#endif
    say("done");
}

#else

static void run(void)
{
    LINK->sampler_up = 1;
    scenario();
    say("done");
    DMB();
    LINK->sampler_done = 1;
}

#endif

__attribute__((used)) void reset_handler(void)
{
    const uint32_t *from = &data_stored;

    for (uint32_t *to = &data_start; to < &data_end; to++) {
        *to = *from++;
    }
    for (uint32_t *to = &bss_start; to < &bss_end; to++) {
        *to = 0;
    }
    SERIAL_ON;
    say("up");
    run();
    rest();
}
