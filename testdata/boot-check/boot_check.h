/*
 * What boot code decides before it starts a core: whether the image in its flash is one that it takes.
 *
 * Everything in `struct device` is the device's own policy, in memory that an update cannot change.
 */
#ifndef BOOT_CHECK_H
#define BOOT_CHECK_H

#include "gemel_record.h"

#define MAX_KEYS 4u
#define MAX_MEMORIES 8u
#define MAX_RESERVED 8u
#define MAX_KEY_SIZE 2592u /* ML-DSA-87 */

struct trusted_key {
    int32_t algorithm;
    uint8_t id[GEMEL_SEAL_KEY_ID_SIZE];
    size_t size;
    uint8_t key[MAX_KEY_SIZE];
};

struct span {
    uint32_t start;
    uint32_t size;
};

struct device {
    struct gemel_memory memories[MAX_MEMORIES]; /* every flash and rom memory, whole, by address */
    size_t memory_count;
    uint8_t erased_byte;
    uint32_t record;               /* where the record's area starts */
    struct span seal;              /* the seal's area */
    struct span reserved[MAX_RESERVED]; /* areas of purpose reserved or settings, which no digest covers */
    size_t reserved_count;
    struct trusted_key keys[MAX_KEYS];
    size_t key_count;
    unsigned long signers;         /* how many of the keys must have signed */
    int pair;                      /* whether a classical and an ML-DSA signature must both hold */
    size_t unknown_signers;        /* how many signers of unknown keys are taken: 0, but while keys rotate */
    uint32_t at_least;             /* the lowest rollback counter */
    char product[32];              /* padded with zeros, as in the record */
    uint8_t vendor_id[16];
    uint8_t class_id[16];
    const uint8_t *layout_sha256;  /* NULL where the device takes any memory map */
};

/* NULL: the image is taken, and `record` is its record; else why not. */
const char *boot_check(const struct device *device, const struct gemel_record **record);

#endif
