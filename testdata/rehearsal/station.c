/* The primary: copies the sampler, releases it, interrupts it, takes what it measured. */
#include "core.h"

#define LINK ((struct link *)STATION_LINK)

static volatile uint32_t interrupts_seen;

void on_interrupt(void)
{
    REGISTER(TAKE_FROM_STATION) = 1u;
    interrupts_seen++;
}

static void say(const char *text)
{
    while (*text != '\0') {
        REGISTER(SERIAL_DATA) = (uint8_t)*text++;
    }
    REGISTER(SERIAL_DATA) = '\n';
}

static void wait_for_serial(void)
{
    while (REGISTER(SERIAL_READY) == 0u) {
    }
    REGISTER(DIVIDER) = 173u;
    REGISTER(LAMPS_SET) = 0x5u;
    REGISTER(LAMPS_CLEAR) = 0x1u;
    say(REGISTER(LAMPS) == 0x4u && REGISTER(DIVIDER) == 173u ? "station: lamps lit" : "station: no lamps");
}

static void copy_sampler(void)
{
    volatile uint32_t *to = (volatile uint32_t *)SAMPLER_COPY;
    const volatile uint32_t *from = (const volatile uint32_t *)SAMPLER_CODE;
    uint32_t words = FAULT == SHORT_COPY ? 64u : COPY_SIZE / 4u;

    for (uint32_t i = 0; i < words; i++) {
        to[i] = from[i];
    }
}

__attribute__((noinline)) void write_vector(uint32_t address)
{
    REGISTER(VECTOR_REGISTER) = address;
}

__attribute__((noinline)) void release_sampler(void)
{
    LINK->measured = 0u;
    LINK->answered = 0u;
    if (FAULT == NEVER_RELEASED) {
        return;
    }
    if (FAULT != RELEASED_BEFORE_VECTOR) {
        write_vector(FAULT == WRONG_ADDRESS ? SAMPLER_RUN + 0x400 : SAMPLER_RUN);
    }
    REGISTER(CONTROL_REGISTER) = FAULT == WITHOUT_KEY ? RELEASE : RELEASE_KEY | RELEASE;
}

__attribute__((noinline)) static void ask_sampler(void)
{
    REGISTER(RAISE_ON_SAMPLER) = 1u;
    while (interrupts_seen == 0u) {
        __asm volatile("wfi");
    }
    take_lock();
    say(LINK->measured == 1182u ? "station: level 1182 mm" : "station: nonsense");
    LINK->answered = 1u;
    give_lock();
}

/* Where a rehearsal sees that all went well. */
__attribute__((noinline)) void station_done(void)
{
    __asm volatile("");
}

static void watch_sampler(void)
{
    while ((REGISTER(STATUS) & (STATUS_SAMPLER_SLEEPS | STATUS_SAMPLER_LOCKED)) == 0u) {
    }
    say(REGISTER(STATUS) & STATUS_SAMPLER_LOCKED ? "station: sampler locked up" : "station: sampler sleeps");
}

void run(void)
{
    wait_for_serial();
    say("station: start");
    copy_sampler();
    INTERRUPT_ENABLE = 1u << INTERRUPT_OF_STATION;
    if (FAULT == TOUCHES_NOBODYS) {
        REGISTER(NOBODYS) = 2u;
    } else if (FAULT != SHORT_COPY && FAULT != WATCHES_STATUS) {
        fault(FAULT);
    }
    release_sampler();
    if (FAULT == WATCHES_STATUS) {
        watch_sampler();
        return;
    }
    ask_sampler();
    say("station: done");
    station_done();
}
