/*
 * What schedulers and libraries do before an instruction that a core may lack: tests of its own registers, in the
 * function, in one that it calls, or at start-up, kept in a variable or as a pointer.  With FAULTY, what is no such test.
 */
#include "needs.h"

uint32_t frame[40];

KEPT void by_register(void)
{
    if (HAS_IT) {
        LACKING(frame);
    }
}

KEPT bool has_it(void)
{
    return HAS_IT;
}

KEPT void by_result(void)
{
    if (!has_it()) {
        return;
    }
    for (int i = 0; i < 8; i++) {
        frame[i] = frame[i + 1] * 3u;
    }
    LACKING(frame);
}

KEPT void save_all(uint32_t *place)
{
    LACKING(place);
}

KEPT void by_caller(void)
{
    if (HAS_IT) {
        save_all(frame + 4);
    }
}

struct system_block {
    volatile uint32_t cpuid, words[33], cpacr;
};

KEPT void by_argument(const struct system_block *block)
{
    if ((block->cpacr & 3u << 20) && block->cpuid >> 4 != 0xC20u) {
        LACKING(frame);
    }
}

static uint8_t features[4];

KEPT void detect(void)
{
    features[1] = 0;
    if (HAS_IT) {
        features[1] = 1;
    }
}

KEPT void by_variable(void)
{
    if (features[1]) {
        LACKING(frame + 1);
    }
}

KEPT void save_none(uint32_t *place)
{
    place[0] = 1u;
}

KEPT void save_some(uint32_t *place)
{
    LACKING(place + 1);
}

static void (*volatile saver)(uint32_t *) = save_none;

KEPT void choose(void)
{
    if (HAS_IT) {
        saver = save_some;
    }
}

KEPT void by_part(void)
{
    switch (CPUID >> 4 & 0xFFFu) {
    case 0xC20:
        frame[1] = 1u;
        break;
    case 0xC23:
        frame[2] = 2u;
        break;
    case 0xC24:
        LACKING(frame);
        break;
    case 0xC27:
        LACKING(frame + 3);
        break;
    case 0xC60:
        frame[3] = 5u;
        break;
    default:
        frame[4] = 9u;
    }
}

#ifndef HAS_NO_DIVIDE
KEPT void by_context(uint32_t *place, uint32_t exception_return)
{
    if (!(exception_return & 0x10u)) {
        LACKING(place);
    }
}

__attribute__((naked, used)) void switch_tasks(void)
{
    __asm volatile("mrs r0, psp\n mov r1, lr\n push {r4, lr}\n bl by_context\n pop {r4, pc}");
}
#else
KEPT void switch_tasks(void)
{
    by_register();
}
#endif

#ifdef FAULTY
volatile uint32_t traced;

KEPT void bad_by_variable(void)
{
    if (traced & 1u) {
        LACKING(frame);
    }
}

KEPT void bad_by_other_register(void)
{
    if (SYSTICK & 0x10000u) {
        LACKING(frame);
    }
}

KEPT void bad_after_both(void)
{
    if (HAS_IT) {
        frame[7] = 1u;
    }
    for (int i = 0; i < 20; i++) {
        frame[i] += (uint32_t)i;
    }
    LACKING(frame);
}

KEPT void bad_callee(uint32_t *place)
{
    LACKING(place + 2);
}

KEPT void half_guarded(void)
{
    if (HAS_IT) {
        bad_callee(frame);
    }
    frame[2]++;
    bad_callee(frame + 4);
}

KEPT void bad_from_start(uint32_t *place)
{
    LACKING(place + 3);
}

static void (*volatile first_saver)(uint32_t *) = bad_from_start;
#endif

void clear_floats(void)
{
    detect();
    choose();
    by_register();
    by_result();
    by_caller();
    by_argument((const struct system_block *)0xE000ED00u);
    by_variable();
    by_part();
    saver(frame);
#ifdef FAULTY
    bad_by_variable();
    bad_by_other_register();
    bad_after_both();
    half_guarded();
    first_saver(frame);
#endif
}
