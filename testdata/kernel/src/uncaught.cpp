// A task whose exception nothing catches, while ticks and another task go on; the sampler's is caught every time.
#include <stdexcept>

extern "C" {
#include "board.h"
#include "kernel.h"

void doorbell_handler(void)
{
    for (;;) {
    }
}
}

static uint32_t measure_stack[1024] __attribute__((aligned(8)));
static uint32_t beat_stack[192] __attribute__((aligned(8)));
static volatile uint32_t beats;

static void measure()
{
    if (beats > 2u) {
        throw std::runtime_error("no water");
    }
}

static void measure_for_ever()
{
    for (;;) {
#ifdef STATION
        measure();
#else
        try {
            measure();
        } catch (const std::exception &) {
            beats = 0;
        }
#endif
        kernel_delay(1);
    }
}

static void beat()
{
    for (;;) {
        kernel_delay(2);
        beats = beats + 1u;
    }
}

int main()
{
    put_text(NAME "up\n");
#ifdef STATION
    release_sampler();
#endif
    kernel_task("measure", 2, measure_for_ever, measure_stack, 1024);
    kernel_task("beat", 3, beat, beat_stack, 192);
    kernel_start(TICK);
}
