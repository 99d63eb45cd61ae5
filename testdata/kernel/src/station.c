/*
 * The station: the doorbell's handler queues, `receive` takes the sampler's frames, `report` prints them, `beat`
 * ticks at the highest priority, `check` computes at the lowest until all frames were reported.
 */
#include "board.h"
#include "kernel.h"

#define FRAMES 12u

static uint32_t ring_words[4], report_words[2];
static struct queue rings = { ring_words, 4, 0, 0 };
static struct queue reports = { report_words, 2, 0, 0 };
static struct mutex port;
static struct frame kept[FRAMES];
static volatile uint32_t reported, beats, checks;
static volatile float trend;

static uint32_t receive_stack[192] __attribute__((aligned(8)));
static uint32_t report_stack[256] __attribute__((aligned(8)));
static uint32_t beat_stack[192] __attribute__((aligned(8)));
static uint32_t check_stack[256] __attribute__((aligned(8)));

void doorbell_handler(void)
{
    REGISTER(TO_STATION_CLEAR) = REGISTER(TO_STATION_PENDING);
    (void)kernel_send_from_handler(&rings, 1u); /* a full queue already says that there is something to take */
}

static void receive(void)
{
    uint32_t taken = 0;

    enable_doorbell();
    while (taken < FRAMES) {
        uint32_t ring;

        (void)kernel_receive(&rings, &ring, 20u);
        while (LINK->written != taken) {
            volatile struct frame *frame = &LINK->frames[taken % FRAMES_MOST];

            barrier();
            kept[taken].number = frame->number;
            kept[taken].median = frame->median;
            kept[taken].smoothed = frame->smoothed;
            barrier();
            LINK->taken = taken + 1u;
            (void)kernel_send(&reports, taken, FOR_EVER);
            taken++;
        }
    }
}

static void report(void)
{
    while (reported < FRAMES) {
        uint32_t number;

        (void)kernel_receive(&reports, &number, FOR_EVER);
        kernel_lock(&port);
        put_text(NAME "frame ");
        put_number(kept[number].number);
        put_text(": ");
        put_number(kept[number].median);
        put_text(" Pa, smoothed ");
        put_hex(kept[number].smoothed);
        put_text("\n");
        kernel_unlock(&port);
        trend = trend * 0.5f + (float)kept[number].median * 0.5f;
        reported++;
    }
}

static void beat(void)
{
    uint32_t last = kernel_now;

    for (;;) {
        kernel_delay_until(&last, 3);
        beats++;
    }
}

static void check(void)
{
    float sum = 0.0f;

    while (reported < FRAMES || beats < 5u) {
        sum = sum * 0.5f + 1.0f;
        checks++;
        if (checks % 64u == 0u) {
            kernel_lock(&port); /* the reporter may have to wait, and lends this task its priority */
            kernel_yield();
            kernel_unlock(&port);
        }
    }
    put_text(NAME "trend ");
    put_hex(bits_of(trend));
    put_text(sum <= 2.0f && beats >= 5u ? ", all well\n" : ", something is wrong\n");
    REGISTER(TO_SAMPLER_SET) = 2u;
    put_text(NAME "done\n");
}

int main(void)
{
    put_text(NAME "up\n");
    release_sampler();
    kernel_task("receive", 4, receive, receive_stack, 192);
    kernel_task("report", 2, report, report_stack, 256);
    kernel_task("beat", 5, beat, beat_stack, 192);
    kernel_task("check", 1, check, check_stack, 256);
    kernel_start(TICK);
    return 0;
}
