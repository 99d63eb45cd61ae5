/* The tide gauge's sampler: filter the pressure, hand the level over, sleep. */
#include "build_id.h"
#include "link.h"
#include "sampler.h"
#include "text.h"

#define ROUGH_SPREAD_PA 1000u

/* Initialised and later changed, so that a start-up code which forgets it is noticed. */
static uint32_t next_sequence = 1;

/* The sampler's own words, which the station passes on. */
static void greet(void)
{
    char greeting[LINK_GREETING_SIZE];
    struct text text = text_in(greeting, sizeof greeting);

    text_add(&text, "build ");
    text_hex(&text, build_id_start());
    text_add(&text, ", ");
    text_unsigned(&text, SAMPLES_PER_FRAME);
    text_add(&text, " samples a frame, ");
    text_unsigned(&text, 2u * FILTER_DROP);
    text_add(&text, " dropped");
    for (uint32_t i = 0; i < LINK_GREETING_SIZE; i++) {
        link_frames.greeting[i] = greeting[i];
        if (greeting[i] == '\0') {
            break;
        }
    }
}

/* True when the station made an offer that this build can take up. */
static int answer_station(void)
{
    int agreed;

    if (link_frames.offer != LINK_OFFER) {
        return 0;
    }
    link_barrier();
    agreed = link_frames.offered_version == LINK_VERSION;
    link_frames.answered_version = LINK_VERSION;
    greet();
    link_barrier();
    link_frames.answer = agreed ? LINK_READY : LINK_REFUSED;
    return agreed;
}

static struct link_frame measure(const uint32_t *table)
{
    static uint32_t samples[SAMPLES_PER_FRAME];
    struct filtered filtered;

    for (uint32_t i = 0; i < SAMPLES_PER_FRAME; i++) {
        samples[i] = table[i];
    }
    filtered = filter_frame(samples);
    return (struct link_frame){
        .sequence = next_sequence++,
        .pressure_pa = filtered.pressure_pa,
        .level_mm = level_from_pressure(filtered.pressure_pa),
        .spread_pa = filtered.spread_pa < UINT16_MAX ? (uint16_t)filtered.spread_pa : UINT16_MAX,
        .quality = filtered.spread_pa > ROUGH_SPREAD_PA ? LINK_QUALITY_ROUGH : LINK_QUALITY_GOOD,
    };
}

/* Waits for room as long as it takes: without a reader there is nothing else to do. */
static void hand_over(struct link_frame frame)
{
    uint32_t written = link_frames.written;

    while (written - link_frames.taken == LINK_DEPTH) {
    }
    link_barrier();
    link_frames.frames[written % LINK_DEPTH] = frame;
    link_barrier();
    link_frames.written = written + 1u;
}

void run_sampler(void)
{
    if (!answer_station()) {
        return;
    }
    for (uint32_t i = 0; i < FRAMES; i++) {
        hand_over(measure(&pressure_samples[i * SAMPLES_PER_FRAME]));
    }
    link_barrier();
    link_frames.finished = 1u;
}
