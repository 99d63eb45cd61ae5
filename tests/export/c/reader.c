/*
 * Runs the record's reader on a host; the tests compare what it prints with the Python decoder.
 *
 *     reader image FILE START   find the record in an image whose first byte has address START (hex);
 *                               print it and a verdict on each build; exit 0 if all is sound, 1 if not
 *     reader cases FILE         FILE holds cases: u32 START, u32 SIZE, u32 SHIFT, then SIZE bytes;
 *                               print one line of verdicts for each
 *     reader names FILE         FILE holds fields of 32 bytes; print the verdict on each as a name
 *
 * Every case lies in an allocation of exactly its size, so that the address sanitizer sees a read of
 * one byte too many.  SHIFT moves the case off its alignment.
 */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "contents.h"
#include "gemel_record.h"

static void show_builds(const struct gemel_record *record, const struct gemel_memory *memory, int *sound)
{
    const struct gemel_build *build;
    size_t i;

    for (i = 0; (build = gemel_record_build(record, i)) != NULL; i++) {
        const enum gemel_record_error error = gemel_build_check(build, memory, 1u);

        printf(" %d", (int)error);
        *sound = *sound && error == GEMEL_RECORD_SOUND;
    }
}

static int one_case(const void *bytes, uint32_t start, uint32_t size)
{
    struct gemel_memory memory;
    const struct gemel_record *record;
    const enum gemel_record_error at_start = gemel_record_check(bytes, size);
    const enum gemel_record_error anywhere = gemel_record_find(bytes, size, 4u, &record);
    int sound = anywhere == GEMEL_RECORD_SOUND;

    memory.start = start;
    memory.size = size;
    memory.bytes = bytes;
    printf("%d %d", (int)at_start, (int)anywhere);
    if (record != NULL) {
        printf(" at %td:", (const uint8_t *)record - (const uint8_t *)bytes);
        show_builds(record, &memory, &sound);
    }
    printf("\n");
    return sound ? 0 : 1;
}

static void show_bytes(const char *name, const uint8_t *bytes, size_t size)
{
    size_t i;

    printf("%s ", name);
    for (i = 0; i < size; i++) {
        printf("%02x", bytes[i]);
    }
    printf("\n");
}

static void show_record(const struct gemel_record *record)
{
    const struct gemel_build *build;
    size_t i;

    printf("product %s\nversion %u.%u.%" PRIu32 "\nrollback %" PRIu32 "\n", record->product, record->major,
           record->minor, record->patch, record->rollback);
    show_bytes("vendor_id", record->vendor_id, sizeof record->vendor_id);
    show_bytes("class_id", record->class_id, sizeof record->class_id);
    show_bytes("layout_sha256", record->layout_sha256, sizeof record->layout_sha256);
    show_bytes("rest_sha256", record->rest_sha256, sizeof record->rest_sha256);
    for (i = 0; (build = gemel_record_build(record, i)) != NULL; i++) {
        printf("build %s %s %u\n", build->name, build->core, build->role);
        printf("spans %" PRIx32 " %" PRIx32 " %" PRIx32 " %" PRIx32 " %" PRIx32 "\n", build->stored_start,
               build->stored_size, build->run_start, build->vector_address, build->crc32);
        show_bytes("build_id", build->build_id, build->build_id_size);
        show_bytes("sha256", build->sha256, sizeof build->sha256);
    }
}

static int all_cases(const uint8_t *bytes, size_t size)
{
    size_t at = 0;

    while (at < size) {
        uint32_t head[3];
        uint8_t *copy;

        memcpy(head, bytes + at, sizeof head);
        at += sizeof head;
        copy = malloc((size_t)head[1] + head[2]);
        if (copy == NULL && head[1] + head[2] != 0) {
            return 2;
        }
        if (head[1] != 0) {
            memcpy(copy + head[2], bytes + at, head[1]);
        }
        at += head[1];
        one_case(copy + head[2], head[0], head[1]);
        free(copy);
    }
    return 0;
}

static int all_names(const uint8_t *bytes, size_t size)
{
    size_t at;

    for (at = 0; at + GEMEL_NAME_SIZE <= size; at += GEMEL_NAME_SIZE) {
        char *name = malloc(GEMEL_NAME_SIZE);

        if (name == NULL) {
            return 2;
        }
        memcpy(name, bytes + at, GEMEL_NAME_SIZE);
        printf("%d\n", (int)gemel_name_check(name));
        free(name);
    }
    return 0;
}

static int one_image(const uint8_t *bytes, size_t size, uint32_t start)
{
    const struct gemel_record *record;
    const enum gemel_record_error error = gemel_record_find(bytes, size, 4u, &record);

    printf("verdict %s\n", gemel_record_error_text(error));
    if (record != NULL) {
        show_record(record);
    }
    return one_case(bytes, start, (uint32_t)size);
}

int main(int count, char **arguments)
{
    int status = 2;

    if (count >= 3) {
        size_t size;
        uint8_t *bytes = contents(arguments[2], &size);

        if (strcmp(arguments[1], "cases") == 0) {
            status = all_cases(bytes, size);
        } else if (strcmp(arguments[1], "names") == 0) {
            status = all_names(bytes, size);
        } else if (strcmp(arguments[1], "image") == 0 && count == 4) {
            status = one_image(bytes, size, (uint32_t)strtoul(arguments[3], NULL, 16));
        }
        free(bytes);
    }
    return status;
}
