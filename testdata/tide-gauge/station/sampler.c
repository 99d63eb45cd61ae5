/* The other core seen from the station: copy it, release it, take its frames. */
#include "station.h"

#define VECTOR_REGISTER  (*(volatile uint32_t *)RELEASE_VECTOR_REGISTER)
#define CONTROL_REGISTER (*(volatile uint32_t *)RELEASE_CONTROL_REGISTER)

#define ANSWER_LIMIT_MS 2000u
#define FRAME_LIMIT_MS  2000u

#if SAMPLER_IS_COPIED
void sampler_copy(void)
{
    const volatile uint8_t *from = (const volatile uint8_t *)sampler_stored_at;
    volatile uint8_t *to = (volatile uint8_t *)sampler_runs_at;

    for (uint32_t i = 0; i < sampler_size; i++) {
        to[i] = from[i];
    }
    __asm volatile("dsb 0xF\n\tisb 0xF" ::: "memory");
}
#endif

/* Clears the link by words: a start-up code that did it might undo the other core's work. */
static void open_link(void)
{
    volatile uint32_t *word = (volatile uint32_t *)&link_frames;

    for (uint32_t i = 0; i < sizeof link_frames / sizeof *word; i++) {
        word[i] = 0u;
    }
    link_frames.offered_version = LINK_VERSION;
    link_barrier();
    link_frames.offer = LINK_OFFER;
}

void sampler_release(void)
{
    uint32_t control;

    open_link();
    VECTOR_REGISTER = sampler_start_address;
    __asm volatile("dsb 0xF" ::: "memory");
    control = CONTROL_REGISTER & ~((uint32_t)RELEASE_MASK | RELEASE_KEY_MASK);
    CONTROL_REGISTER = control | RELEASE_VALUE | RELEASE_KEY_VALUE;
}

bool sampler_answers(void)
{
    uint32_t waited_ms = 0;

    while (link_frames.answer == 0u) {
        if (clock_ticked() && ++waited_ms > ANSWER_LIMIT_MS) {
            return false;
        }
    }
    link_barrier();
    return true;
}

bool sampler_next_frame(struct link_frame *frame)
{
    uint32_t taken = link_frames.taken;
    uint32_t waited_ms = 0;

    while (link_frames.written == taken) {
        if (link_frames.finished != 0u && link_frames.written == taken) {
            return false;
        }
        if (clock_ticked() && ++waited_ms > FRAME_LIMIT_MS) {
            return false;
        }
    }
    link_barrier();
    *frame = link_frames.frames[taken % LINK_DEPTH];
    link_barrier();
    link_frames.taken = taken + 1u;
    return true;
}
