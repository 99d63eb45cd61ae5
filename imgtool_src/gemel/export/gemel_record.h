/*
 * gemel_record.h: find, validate and walk the record of a joined image and its seal.
 *
 * SPDX-License-Identifier: Apache-2.0
 *
 * Written by `gemel export c-reader` for record format {{ format }}; `gemel explain record` prints
 * the format byte by byte. One header, C99 (and C++), for boot code and for hosts: no
 * allocation, no library, no state, and no read outside the memory handed in, whatever
 * the record says. The stack it takes is less than 256 bytes.
 *
 * What a sound record is: evidence of what was joined. It is not a safety approval, and
 * it shows integrity, not authenticity: whoever changes an image can recompute every
 * CRC in it. Starting a core from a wrong image, or flashing one, can leave a device
 * that no longer starts at all; keep a way to recover it. The SHA-256 digests and the
 * signatures of the seal are for code with a cryptographic library; this reader walks the
 * seal and hands out what such code must verify (see gemel_seal_check() below).
 *
 * Use, for a flash of 512 KiB that is read in place at 0x10000000:
 *
 *     #include "gemel_record.h"
 *
 *     int image_is_sound(void)
 *     {
 *         const struct gemel_memory flash = {0x10000000u, 0x80000u, (const void *)0x10000000u};
 *         const struct gemel_build *build;
 *         const struct gemel_record *record;
 *         uint32_t i;
 *
 *         if (gemel_record_find(flash.bytes, flash.size, 4u, &record) != GEMEL_RECORD_SOUND) {
 *             return 0;
 *         }
 *         for (i = 0; (build = gemel_record_build(record, i)) != NULL; i++) {
 *             if (gemel_build_check(build, &flash, 1u) != GEMEL_RECORD_SOUND) {
 *                 return 0;
 *             }
 *         }
 *         return 1;
 *     }
 *
 * Where the record's area is known, gemel_record_check() on its address is quicker, and
 * no record elsewhere in the flash can stand in for it.
 *
 * A memory that starts at address 0 looks like a null pointer to a compiler: read it
 * through another of its addresses, or compile with -fno-delete-null-pointer-checks.
 */
#ifndef GEMEL_RECORD_H
#define GEMEL_RECORD_H

#include <stddef.h>
#include <stdint.h>

#if defined(__BYTE_ORDER__) && defined(__ORDER_LITTLE_ENDIAN__)
#if __BYTE_ORDER__ != __ORDER_LITTLE_ENDIAN__
#error "the record is little-endian; this reader lays structs over it and needs such a target"
#endif
#endif

#define GEMEL_RECORD_MARK {{ mark|c_bytes }}
#define GEMEL_RECORD_FORMAT {{ format }}u
#define GEMEL_RECORD_ALIGNMENT {{ alignment }}u
#define GEMEL_RECORD_MAX_BUILDS {{ max_builds }}u
#define GEMEL_RECORD_CRC_SIZE {{ crc_size }}u
#define GEMEL_NAME_SIZE {{ name_size }}u
#define GEMEL_NO_VECTORS {{ no_vectors|c_word }}
{% for code, role in roles.items() %}
#define GEMEL_ROLE_{{ role|upper }} {{ code }}u
{% endfor %}

/* The record's header; record_size is its whole size, entries and CRC included. */
{% set name = "gemel_record" %}
{% include "struct" %}

/* The entry of one build. Numbers of `role`: GEMEL_ROLE_PRIMARY, GEMEL_ROLE_SECONDARY. */
{% set name = "gemel_build" %}
{% include "struct" %}

/* The structs must lie over the bytes exactly. C99 has no static assertion: an array
 * type of negative size stops the compiler instead, in any language version. */
#define GEMEL_HOLDS(name, condition) typedef char gemel_holds_##name[(condition) ? 1 : -1]

{% for name, fields in structs.items() %}
GEMEL_HOLDS({{ name }}_size, sizeof(struct {{ name }}) == {{ fields[-1].offset + fields[-1].size }}u);
{% for field in fields %}
GEMEL_HOLDS({{ name }}_{{ field.name }}, offsetof(struct {{ name }}, {{ field.name }}) == {{ field.offset|c_byte }}u);
{% if field.kind == "text" %}
GEMEL_HOLDS({{ name }}_{{ field.name }}_size, sizeof(((struct {{ name }} *)0)->{{ field.name }}) == GEMEL_NAME_SIZE);
{% endif %}
{% endfor %}
{% endfor %}

/* What can be wrong. The numbers are the same in every version of this reader. */
enum gemel_record_error {
{% for code, name, _ in errors %}
    GEMEL_RECORD_{{ name }} = {{ code }}{{ "" if loop.last else "," }}
{% endfor %}
};

/* A memory that this code can read: `size` bytes of device address `start` on, which the
 * program finds at `bytes`. On a device that reads its flash in place both are the same
 * address; on a host `bytes` is a buffer with the image. */
struct gemel_memory {
    uint32_t start;
    uint32_t size;
    const void *bytes;
};

/* The error in words, for a log; never NULL. */
static inline const char *gemel_record_error_text(enum gemel_record_error error)
{
    switch (error) {
{% for _, name, text in errors %}
    case GEMEL_RECORD_{{ name }}:
        return "{{ text }}";
{% endfor %}
    }
    return "not an error of this reader";
}

/*
 * CRC-32/ISO-HDLC of `size` bytes, going on from `crc`: 0 at first, then the last result.
 * Feeding a long span in pieces leaves room to serve a watchdog in between, or to read a
 * flash that is not in the address space. Half a byte at a time: 64 bytes of table.
 */
static inline uint32_t gemel_crc32(uint32_t crc, const void *bytes, size_t size)
{
    static const uint32_t table[16] = {
{% for row in crc_table|batch(4) %}
        {{ row|map("c_word")|join(", ") }},
{% endfor %}
    };
    const uint8_t *byte = (const uint8_t *)bytes;

    crc = ~crc;
    while (size != 0u) {
        crc ^= *byte;
        crc = (crc >> 4) ^ table[crc & 0xFu];
        crc = (crc >> 4) ^ table[crc & 0xFu];
        byte++;
        size--;
    }
    return ~crc;
}

/*
 * Bytes of the UTF-8 character that starts at `text` (RFC 3629, section 4); 0 if there is
 * none or if it is a control character. Reads no further than the first byte that does
 * not belong to it, so that a terminating zero byte bounds it.
 */
static inline size_t gemel_character_size(const uint8_t *text)
{
    const uint8_t lead = text[0];
    uint8_t least = 0x80u;
    uint8_t most = 0xBFu;
    size_t size;
    size_t i;

    if (lead < 0x80u) {
        return (lead < 0x20u || lead == 0x7Fu) ? 0u : 1u;
    }
    if (lead < 0xC2u || lead > 0xF4u) {
        return 0u;
    }
    size = (lead < 0xE0u) ? 2u : (lead < 0xF0u) ? 3u : 4u;
    switch (lead) {
    case 0xC2u: least = 0xA0u; break; /* below: the control characters U+0080 to U+009F */
    case 0xE0u: least = 0xA0u; break; /* below: over-long */
    case 0xEDu: most = 0x9Fu; break;  /* above: surrogates */
    case 0xF0u: least = 0x90u; break; /* below: over-long */
    case 0xF4u: most = 0x8Fu; break;  /* above: past U+10FFFF */
    default: break;
    }
    if (text[1] < least || text[1] > most) {
        return 0u;
    }
    for (i = 2u; i < size; i++) {
        if ((text[i] & 0xC0u) != 0x80u) {
            return 0u;
        }
    }
    return size;
}

/* A name: UTF-8 without control characters, ended by a zero byte, zeros behind it. */
static inline enum gemel_record_error gemel_name_check(const char *name)
{
    const uint8_t *text = (const uint8_t *)name;
    size_t length = 0u;
    size_t i;

    while (length < GEMEL_NAME_SIZE && text[length] != 0u) {
        length++;
    }
    if (length == GEMEL_NAME_SIZE) {
        return GEMEL_RECORD_NAME_NOT_ENDED;
    }
    for (i = length; i < GEMEL_NAME_SIZE; i++) {
        if (text[i] != 0u) {
            return GEMEL_RECORD_NAME_NOT_TEXT;
        }
    }
    for (i = 0u; i < length;) {
        const size_t size = gemel_character_size(&text[i]);

        if (size == 0u) {
            return GEMEL_RECORD_NAME_NOT_TEXT;
        }
        i += size;
    }
    return (length == 0u) ? GEMEL_RECORD_NAME_NOT_TEXT : GEMEL_RECORD_SOUND;
}

/* Whether all of `size` bytes are zero. */
static inline int gemel_all_zero(const uint8_t *bytes, size_t size)
{
    size_t i;

    for (i = 0u; i < size; i++) {
        if (bytes[i] != 0u) {
            return 0;
        }
    }
    return 1;
}

/* Whether `size` bytes from `start` on are at least one and end inside 32 bits of address. */
static inline int gemel_span_fits(uint32_t start, uint32_t size)
{
    return size != 0u && size - 1u <= 0xFFFFFFFFu - start;
}

/* One entry by itself. */
static inline enum gemel_record_error gemel_entry_check(const struct gemel_build *build)
{
    enum gemel_record_error error = gemel_name_check(build->name);

    if (error == GEMEL_RECORD_SOUND) {
        error = gemel_name_check(build->core);
    }
    if (error != GEMEL_RECORD_SOUND) {
        return error;
    }
    if (build->role != GEMEL_ROLE_PRIMARY && build->role != GEMEL_ROLE_SECONDARY) {
        return GEMEL_RECORD_UNKNOWN_ROLE;
    }
    if (build->build_id_size > sizeof build->build_id
        || !gemel_all_zero(&build->build_id[build->build_id_size],
                           sizeof build->build_id - build->build_id_size)) {
        return GEMEL_RECORD_WRONG_BUILD_ID;
    }
    if (!gemel_span_fits(build->stored_start, build->stored_size)
        || !gemel_span_fits(build->run_start, build->stored_size)) {
        return GEMEL_RECORD_WRONG_SPAN;
    }
    if (!gemel_all_zero(build->reserved, sizeof build->reserved)) {
        return GEMEL_RECORD_RESERVED_NOT_ZERO;
    }
    return GEMEL_RECORD_SOUND;
}

/* Two entries against each other; each has passed gemel_entry_check(). */
static inline enum gemel_record_error gemel_pair_check(const struct gemel_build *earlier,
                                                       const struct gemel_build *later)
{
    size_t i = 0u;

    while (i < GEMEL_NAME_SIZE && earlier->name[i] == later->name[i]) {
        i++;
    }
    if (i == GEMEL_NAME_SIZE) {
        return GEMEL_RECORD_NAME_TWICE;
    }
    if (earlier->stored_start <= later->stored_start) {
        if (later->stored_start - earlier->stored_start < earlier->stored_size) {
            return GEMEL_RECORD_BUILDS_OVERLAP;
        }
    } else if (earlier->stored_start - later->stored_start < later->stored_size) {
        return GEMEL_RECORD_BUILDS_OVERLAP;
    }
    return GEMEL_RECORD_SOUND;
}

/*
 * Entry `index` of a record that gemel_record_check() found sound; NULL behind the last.
 * The pointer goes into the record itself.
 */
static inline const struct gemel_build *gemel_record_build(const struct gemel_record *record,
                                                           size_t index)
{
    const uint8_t *entries = (const uint8_t *)record + sizeof *record;

    if (index >= record->build_count || index >= GEMEL_RECORD_MAX_BUILDS) {
        return NULL;
    }
    return (const struct gemel_build *)(const void *)(entries + index * sizeof(struct gemel_build));
}

/* Mark, format, sizes: whether `size` bytes at `memory` hold a record that can be walked. */
static inline enum gemel_record_error gemel_frame_check(const void *memory, size_t size)
{
    static const uint8_t mark[] = {GEMEL_RECORD_MARK};
    const uint8_t *bytes = (const uint8_t *)memory;
    const struct gemel_record *record = (const struct gemel_record *)memory;
    size_t i;

    if ((uintptr_t)memory % GEMEL_RECORD_ALIGNMENT != 0u) {
        return GEMEL_RECORD_MISALIGNED;
    }
    for (i = 0u; i < sizeof mark; i++) {
        if (i >= size || bytes[i] != mark[i]) {
            return GEMEL_RECORD_NO_MARK;
        }
    }
    if (size < sizeof *record) {
        return GEMEL_RECORD_CUT;
    }
    if (record->format != GEMEL_RECORD_FORMAT) {
        return GEMEL_RECORD_UNKNOWN_FORMAT;
    }
    /* The count is at most 16 here, so that the product cannot overflow. */
    if (record->build_count == 0u || record->build_count > GEMEL_RECORD_MAX_BUILDS
        || record->header_size != sizeof *record || record->build_size != sizeof(struct gemel_build)
        || record->record_size != sizeof *record + record->build_count * sizeof(struct gemel_build)
                                      + GEMEL_RECORD_CRC_SIZE) {
        return GEMEL_RECORD_WRONG_SIZES;
    }
    return (record->record_size > size) ? GEMEL_RECORD_CUT : GEMEL_RECORD_SOUND;
}

/*
 * Whether a sound record starts at `memory`, of which `size` bytes may be read. Everything
 * that gemel_record_build() and a reader of the fields rely on is checked here, once; the
 * bytes of the builds are not: gemel_build_check() does that.
 */
static inline enum gemel_record_error gemel_record_check(const void *memory, size_t size)
{
    const uint8_t *bytes = (const uint8_t *)memory;
    const struct gemel_record *record = (const struct gemel_record *)memory;
    enum gemel_record_error error = gemel_frame_check(memory, size);
    const uint8_t *crc;
    size_t covered;
    size_t i;
    size_t j;

    if (error != GEMEL_RECORD_SOUND) {
        return error;
    }
    covered = record->record_size - GEMEL_RECORD_CRC_SIZE;
    crc = bytes + covered;
    if (gemel_crc32(0u, bytes, covered)
        != ((uint32_t)crc[0] | (uint32_t)crc[1] << 8 | (uint32_t)crc[2] << 16 | (uint32_t)crc[3] << 24)) {
        return GEMEL_RECORD_WRONG_CRC;
    }
    error = gemel_name_check(record->product);
    if (error != GEMEL_RECORD_SOUND) {
        return error;
    }
    if (!gemel_all_zero(record->reserved, sizeof record->reserved)) {
        return GEMEL_RECORD_RESERVED_NOT_ZERO;
    }
    for (i = 0u; i < record->build_count && error == GEMEL_RECORD_SOUND; i++) {
        error = gemel_entry_check(gemel_record_build(record, i));
    }
    for (i = 1u; i < record->build_count && error == GEMEL_RECORD_SOUND; i++) {
        for (j = 0u; j < i && error == GEMEL_RECORD_SOUND; j++) {
            error = gemel_pair_check(gemel_record_build(record, j), gemel_record_build(record, i));
        }
    }
    return error;
}

/*
 * Look for a record at `base`, `base` + `step` and so on, inside `size` bytes. `base` and
 * `step` are multiples of 4; a larger step (an erase block, say) is faster. The first
 * sound record goes into `found`. Marks without a sound record behind them are passed
 * over, since code that knows the mark, as this, has it in its own flash; if there is
 * nothing else, the result is the error of the one that came furthest and `found` NULL.
 *
 * Not for a flash whose unprogrammed words fault when they are read (one with error
 * correction, usually): there, check the record at the address that the layout gives it.
 */
static inline enum gemel_record_error gemel_record_find(const void *base, size_t size, size_t step,
                                                        const struct gemel_record **found)
{
    const uint8_t *bytes = (const uint8_t *)base;
    enum gemel_record_error furthest = GEMEL_RECORD_NO_MARK;

    *found = NULL;
    if ((uintptr_t)base % GEMEL_RECORD_ALIGNMENT != 0u || step == 0u
        || step % GEMEL_RECORD_ALIGNMENT != 0u) {
        return GEMEL_RECORD_MISALIGNED;
    }
    for (;;) {
        const enum gemel_record_error error = gemel_record_check(bytes, size);

        if (error == GEMEL_RECORD_SOUND) {
            *found = (const struct gemel_record *)(const void *)bytes;
            return error;
        }
        if (error > furthest) {
            furthest = error;
        }
        if (size <= step) {
            return furthest;
        }
        bytes += step;
        size -= step;
    }
}

/*
 * Whether the bytes of one build have the CRC that the record states. The build must lie
 * whole in one of the `count` memories. The time is that of gemel_crc32() over
 * build->stored_size bytes, with no watchdog served.
 */
static inline enum gemel_record_error gemel_build_check(const struct gemel_build *build,
                                                        const struct gemel_memory *memories,
                                                        size_t count)
{
    size_t i;

    for (i = 0u; i < count; i++) {
        const uint32_t offset = build->stored_start - memories[i].start;

        if (build->stored_start >= memories[i].start && offset < memories[i].size
            && build->stored_size <= memories[i].size - offset) {
            const uint8_t *bytes = (const uint8_t *)memories[i].bytes + offset;

            return (gemel_crc32(0u, bytes, build->stored_size) == build->crc32)
                       ? GEMEL_RECORD_SOUND
                       : GEMEL_RECORD_BUILD_CRC;
        }
    }
    return GEMEL_RECORD_BUILD_OUTSIDE;
}

{% include "seal_reader.h" %}

#endif /* GEMEL_RECORD_H */
