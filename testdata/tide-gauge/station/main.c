/* The tide gauge's station: prove the image, start the sampler, report what it measures. */
#include "build_id.h"
#include "station.h"

#define LINE_SIZE 120u

#define CHECKSUM_SIZE 4u

static char line_buffer[LINE_SIZE];

/* Initialised and later changed, so that a start-up code which forgets it is noticed. */
static uint32_t expected_sequence = 1;

/* Starts a line with the name of who speaks. */
static struct text line_from(const char *who)
{
    struct text line = text_in(line_buffer, LINE_SIZE);

    text_add(&line, who);
    text_add(&line, ": ");
    return line;
}

static void say(const char *who, const char *what)
{
    struct text line = line_from(who);

    text_add(&line, what);
    serial_line(line_buffer);
}

void report_exception(uint32_t number)
{
    struct text line = line_from("station");

    text_add(&line, "stopped by exception ");
    text_unsigned(&line, number);
    serial_line(line_buffer);
}

static void report_version(void)
{
    struct text line = text_in(line_buffer, LINE_SIZE);
    uint32_t version = image_version;

    text_add(&line, "tide gauge ");
    if (version == NOT_STAMPED) {
        text_add(&line, "without a version");
    } else {
        text_unsigned(&line, version >> 24);
        text_add(&line, ".");
        text_unsigned(&line, (version >> 16) & 0xFFu);
        text_add(&line, ".");
        text_unsigned(&line, version & 0xFFFFu);
    }
    text_add(&line, ", sampler " DEVICE_ARRANGEMENT);
    serial_line(line_buffer);
}

static void report_build(void)
{
    struct text line = line_from("station");

    text_add(&line, "build ");
    text_hex(&line, build_id_start());
    if (image_length == NOT_STAMPED) {
        text_add(&line, ", length not stamped");
    } else {
        text_add(&line, ", ");
        text_unsigned(&line, image_length);
        text_add(&line, " bytes");
    }
    serial_line(line_buffer);
}

/* Compares the CRC over a code area with the word at its end, which join wrote. */
static bool code_is_sound(const char *who, uint32_t start, uint32_t size)
{
    uint32_t stored = *(const volatile uint32_t *)(start + size - CHECKSUM_SIZE);
    uint32_t computed = checksum_of(start, size - CHECKSUM_SIZE);
    struct text line = line_from(who);

    text_add(&line, "checksum ");
    text_hex(&line, computed);
    if (computed == stored) {
        text_add(&line, " ok");
    } else {
        text_add(&line, " BAD, stored ");
        text_hex(&line, stored);
    }
    serial_line(line_buffer);
    return computed == stored;
}

#if SAMPLER_IS_COPIED
static bool copy_sampler(void)
{
    struct text line = line_from("station");

    if (sampler_stored_at == NOT_STAMPED || sampler_runs_at == NOT_STAMPED || sampler_size == NOT_STAMPED) {
        say("station", "nobody stamped where the sampler is stored, where it runs, or its size");
        return false;
    }
    sampler_copy();
    text_add(&line, "sampler copied, ");
    text_unsigned(&line, sampler_size);
    text_add(&line, " bytes from ");
    text_address(&line, sampler_stored_at);
    text_add(&line, " to ");
    text_address(&line, sampler_runs_at);
    serial_line(line_buffer);
    return true;
}
#endif

/* True when the sampler runs and speaks our protocol. */
static bool start_sampler(void)
{
    struct text line = line_from("station");

    sampler_release();
    text_add(&line, "sampler released at ");
    text_address(&line, sampler_start_address);
    serial_line(line_buffer);

    if (!sampler_answers()) {
        say("station", "the sampler does not answer");
        return false;
    }
    if (link_frames.answer != LINK_READY) {
        line = line_from("station");
        text_add(&line, "the sampler speaks protocol ");
        text_unsigned(&line, link_frames.answered_version);
        text_add(&line, ", this station speaks ");
        text_unsigned(&line, LINK_VERSION);
        serial_line(line_buffer);
        return false;
    }
    return true;
}

/* Repeats, in the sampler's name, what it wrote into the link. */
static void report_greeting(void)
{
    char greeting[LINK_GREETING_SIZE];

    for (uint32_t i = 0; i < LINK_GREETING_SIZE; i++) {
        greeting[i] = link_frames.greeting[i];
    }
    greeting[LINK_GREETING_SIZE - 1u] = '\0';
    say("sampler", greeting);
}

static void report_frame(const struct link_frame *frame)
{
    struct text line = text_in(line_buffer, LINE_SIZE);

    text_add(&line, "frame ");
    text_unsigned(&line, frame->sequence);
    text_add(&line, ": level ");
    text_signed(&line, frame->level_mm);
    text_add(&line, " mm, pressure ");
    text_unsigned(&line, frame->pressure_pa);
    text_add(&line, " Pa, spread ");
    text_unsigned(&line, frame->spread_pa);
    text_add(&line, frame->quality == LINK_QUALITY_GOOD ? " Pa, good" : " Pa, rough");
#if HAS_FLOAT_UNIT
    text_add(&line, ", smoothed ");
    text_signed(&line, (int32_t)(trend_after(frame->level_mm) * 1000.0f + 0.5f));
    text_add(&line, " mm");
#endif
    serial_line(line_buffer);
}

/* True when every frame arrived, in order, up to the sampler's last one. */
static bool report_frames(void)
{
    struct link_frame frame;

    while (sampler_next_frame(&frame)) {
        if (frame.sequence != expected_sequence) {
            say("station", "a frame is missing");
            return false;
        }
        report_frame(&frame);
        expected_sequence++;
    }
    if (link_frames.finished == 0u) {
        say("station", "the sampler fell silent");
        return false;
    }
    return true;
}

static bool measure(void)
{
    bool sound = code_is_sound("station", STATION_CODE_START, STATION_CODE_SIZE);

    sound &= code_is_sound("sampler", SAMPLER_CODE_START, SAMPLER_CODE_SIZE);
    if (!sound) {
        say("station", "the sampler stays in reset");
        return false;
    }
#if SAMPLER_IS_COPIED
    if (!copy_sampler()) {
        return false;
    }
#endif
    if (!start_sampler()) {
        return false;
    }
    report_greeting();
    return report_frames();
}

void run_station(void)
{
    serial_open();
    clock_start();
    report_version();
    report_build();
    say("tide gauge", measure() ? "done" : "stopped");
}
