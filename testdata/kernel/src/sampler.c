/*
 * The sampler: four tasks. `measure` makes a sample every other tick and queues it, `filter` takes five, sends
 * their median and a smoothed value to the station, `calibrate` computes in floating point at filter's priority, so
 * that both are switched in the middle of their sums, `count` works at the lowest priority whenever it may.
 */
#include "board.h"
#include "kernel.h"

#define FRAMES 12u
#define SAMPLES 5u
#define ROUNDS 400u

static uint32_t raw_words[4];
static struct queue raw = { raw_words, 4, 0, 0 };
static struct mutex scale;
static volatile float scale_value = 0.25f;
static volatile uint32_t measured, frames_sent, calibrated, background, stations_rings;

static uint32_t measure_stack[192] __attribute__((aligned(8)));
static uint32_t filter_stack[224] __attribute__((aligned(8)));
static uint32_t calibrate_stack[192] __attribute__((aligned(8)));
static uint32_t count_stack[224] __attribute__((aligned(8)));

void doorbell_handler(void)
{
    REGISTER(TO_SAMPLER_CLEAR) = REGISTER(TO_SAMPLER_PENDING);
    stations_rings++;
}

static void measure(void)
{
    uint32_t last = kernel_now;
    uint32_t value = 12345u;

    enable_doorbell();
    for (uint32_t i = 0; i < FRAMES * SAMPLES; i++) {
        kernel_delay_until(&last, 2);
        value = value * 1103515245u + 12345u;
        kernel_send(&raw, (value >> 16) % 1000u + 36000u, FOR_EVER);
        measured++;
    }
}

static uint32_t median_of(uint32_t *samples)
{
    for (uint32_t i = 1; i < SAMPLES; i++) {
        for (uint32_t j = i; j > 0u && samples[j - 1u] > samples[j]; j--) {
            uint32_t other = samples[j];

            samples[j] = samples[j - 1u];
            samples[j - 1u] = other;
        }
    }
    return samples[SAMPLES / 2u];
}

static void send_frame(uint32_t number, uint32_t median, float smoothed)
{
    volatile struct frame *frame = &LINK->frames[number % FRAMES_MOST];

    while (LINK->written - LINK->taken == FRAMES_MOST) {
        kernel_delay(1);
    }
    frame->number = number;
    frame->median = median;
    frame->smoothed = bits_of(smoothed);
    barrier();
    LINK->written = number + 1u;
    barrier();
    REGISTER(TO_STATION_SET) = 1u;
}

static void filter(void)
{
    float smoothed = 36500.0f;

    for (uint32_t number = 0; number < FRAMES; number++) {
        uint32_t samples[SAMPLES];
        uint32_t median;

        for (uint32_t i = 0; i < SAMPLES; i++) {
            kernel_receive(&raw, &samples[i], FOR_EVER);
        }
        median = median_of(samples);
        kernel_lock(&scale);
        smoothed = smoothed + ((float)median - smoothed) * scale_value;
        kernel_unlock(&scale);
        send_frame(number, median, smoothed);
        frames_sent++;
    }
}

/* One sum, again and again; the switches in between must not show. */
static void calibrate(void)
{
    uint32_t first = 0;

    for (uint32_t round = 0; round < 12u; round++) {
        float sum = 1.0f;

        for (uint32_t i = 1; i <= ROUNDS; i++) {
            sum = sum * 0.9375f + (float)i * 0.125f;
        }
        if (round == 0u) {
            first = bits_of(sum);
        } else if (bits_of(sum) != first) {
            put_text(NAME "a sum came out otherwise\n");
            kernel_end();
        }
        kernel_lock(&scale);
        kernel_delay(1); /* holds it over a tick: filter waits, and this task inherits its priority */
        kernel_unlock(&scale);
    }
    calibrated = first;
}

static void count(void)
{
    while (frames_sent < FRAMES || calibrated == 0u) {
        background++;
    }
    put_text(NAME);
    put_number(measured);
    put_text(" samples, ");
    put_number(frames_sent);
    put_text(" frames, sum ");
    put_hex(calibrated);
    put_text(background != 0u ? "\n" : ", never in the background\n");
    while (stations_rings == 0u) {
        kernel_delay(1);
    }
    put_text(NAME "done\n");
}

int main(void)
{
    put_text(NAME "up\n");
    kernel_task("measure", 3, measure, measure_stack, 192);
    kernel_task("filter", 2, filter, filter_stack, 224);
    kernel_task("calibrate", 2, calibrate, calibrate_stack, 192);
    kernel_task("count", 1, count, count_stack, 224);
    kernel_start(TICK);
    return 0;
}
