/*
 * The check itself: record, seal, trusted keys, ids, rollback counter, digests of builds and of the rest.
 * No memory is allocated and nothing is printed.
 */
#include "boot_check.h"

#include <string.h>

#include "verify.h"

static int is_ml_dsa(int32_t algorithm)
{
    return algorithm == GEMEL_SEAL_ML_DSA_65 || algorithm == GEMEL_SEAL_ML_DSA_87;
}

/* Where the bytes of a span are; NULL unless all of it lies in one memory. */
static const uint8_t *bytes_at(const struct device *device, struct span span)
{
    size_t i;

    for (i = 0u; i < device->memory_count; i++) {
        const struct gemel_memory *memory = &device->memories[i];
        const uint32_t offset = span.start - memory->start;

        if (span.start >= memory->start && offset <= memory->size && span.size <= memory->size - offset) {
            return (const uint8_t *)memory->bytes + offset;
        }
    }
    return NULL;
}

/* How many bytes may be read from an address on. */
static size_t room_at(const struct device *device, uint32_t address)
{
    size_t i;

    for (i = 0u; i < device->memory_count; i++) {
        const uint32_t offset = address - device->memories[i].start;

        if (address >= device->memories[i].start && offset < device->memories[i].size) {
            return device->memories[i].size - offset;
        }
    }
    return 0u;
}

static const struct trusted_key *key_of(const struct device *device, const struct gemel_signer *signer)
{
    size_t i;

    for (i = 0u; i < device->key_count; i++) {
        if (memcmp(signer->key_id, device->keys[i].id, sizeof device->keys[i].id) == 0) {
            return &device->keys[i];
        }
    }
    return NULL;
}

/* Whether this signature, by a trusted key, holds over the record; the algorithm is the key's own. */
static int signature_holds(const struct trusted_key *key, const struct gemel_signer *signer,
                           const struct gemel_record *record)
{
    static uint8_t bytes[GEMEL_SEAL_MAX_SIGNED];
    uint8_t prefix[GEMEL_SEAL_PREFIX_SIZE];
    size_t size;

    if (signer->algorithm != key->algorithm) {
        return 0;
    }
    if (key->algorithm == GEMEL_SEAL_ECDSA_P256) { /* hashed in pieces */
        size = gemel_seal_prefix(signer, record, prefix);
        return p256_holds(key->key, signer->signature, prefix, size, (const uint8_t *)record,
                          record->record_size);
    }
    size = gemel_seal_signed(signer, record, bytes, sizeof bytes); /* these want all bytes at once */
    if (size == 0u) {
        return 0;
    }
    if (key->algorithm == GEMEL_SEAL_ED25519) {
        return ed25519_holds(key->key, signer->signature, bytes, size);
    }
    return is_ml_dsa(key->algorithm)
        && ml_dsa_holds(key->key, key->size, signer->signature, signer->signature_size, bytes, size);
}

/*
 * Whether enough has been signed. Each key counts once, since a sound seal names it once. A signature of a
 * known key that does not hold, and more unknown signers than are taken, are room for foreign bytes.
 */
static const char *signers_hold(const struct device *device, const struct gemel_seal *seal,
                                const struct gemel_record *record)
{
    struct gemel_signer signer;
    unsigned long classical = 0u;
    unsigned long ml_dsa = 0u;
    size_t unknown = 0u;
    size_t i;

    for (i = 0u; gemel_seal_signer(seal, i, &signer); i++) {
        const struct trusted_key *key = key_of(device, &signer);

        if (key == NULL) {
            unknown++;
        } else if (!signature_holds(key, &signer, record)) {
            return "a trusted key's signature does not hold";
        } else if (is_ml_dsa(key->algorithm)) {
            ml_dsa++;
        } else {
            classical++;
        }
    }
    if (classical + ml_dsa == 0u || classical + ml_dsa < device->signers) {
        return "too few trusted keys signed";
    }
    if (device->pair && (classical == 0u || ml_dsa == 0u)) {
        return "a classical and an ML-DSA signature are due";
    }
    return unknown > device->unknown_signers ? "the seal has signers whose keys are unknown" : NULL;
}

static const char *made_for(const struct device *device, const struct gemel_record *record)
{
    if (memcmp(record->product, device->product, sizeof record->product) != 0) {
        return "for another product";
    }
    if (memcmp(record->vendor_id, device->vendor_id, sizeof record->vendor_id) != 0) {
        return "of another vendor";
    }
    if (memcmp(record->class_id, device->class_id, sizeof record->class_id) != 0) {
        return "for another class of device";
    }
    if (device->layout_sha256 != NULL
        && memcmp(record->layout_sha256, device->layout_sha256, sizeof record->layout_sha256) != 0) {
        return "joined for another memory map";
    }
    return record->rollback < device->at_least ? "older than this device accepts" : NULL;
}

/* Whether the bytes of every build have the digest that the record states. */
static int builds_hold(const struct device *device, const struct gemel_record *record)
{
    const struct gemel_build *build;
    uint8_t digest[32];
    uint32_t i;

    for (i = 0u; (build = gemel_record_build(record, i)) != NULL; i++) {
        const struct span stored = {build->stored_start, build->stored_size};
        const uint8_t *bytes = bytes_at(device, stored);

        if (bytes == NULL
            || gemel_build_check(build, device->memories, device->memory_count) != GEMEL_RECORD_SOUND) {
            return 0;
        }
        digest_start();
        digest_add(bytes, stored.size);
        digest_end(digest);
        if (memcmp(digest, build->sha256, sizeof digest) != 0) {
            return 0;
        }
    }
    return 1;
}

/* Holes in ascending order: insertion, since boot code has no sort. The result is the new count. */
static size_t with_hole(struct span *holes, size_t count, uint32_t start, uint32_t size)
{
    size_t at = count;

    while (at > 0u && holes[at - 1u].start > start) {
        holes[at] = holes[at - 1u];
        at--;
    }
    holes[at].start = start;
    holes[at].size = size;
    return count + 1u;
}

/*
 * Whether all flash outside the builds, the record, the seal's area and the reserved ones has the digest that
 * the record states: by ascending address, each memory to its end.
 */
static int rest_holds(const struct device *device, const struct gemel_record *record)
{
    struct span holes[GEMEL_RECORD_MAX_BUILDS + 2u + MAX_RESERVED];
    const struct gemel_build *build;
    uint8_t digest[32];
    size_t count = 0u;
    size_t i;
    size_t j;
    uint32_t k;

    for (k = 0u; (build = gemel_record_build(record, k)) != NULL; k++) {
        count = with_hole(holes, count, build->stored_start, build->stored_size);
    }
    count = with_hole(holes, count, device->record, record->record_size);
    count = with_hole(holes, count, device->seal.start, device->seal.size);
    for (i = 0u; i < device->reserved_count; i++) {
        count = with_hole(holes, count, device->reserved[i].start, device->reserved[i].size);
    }
    digest_start();
    for (i = 0u; i < device->memory_count; i++) {
        const struct gemel_memory *memory = &device->memories[i];
        const uint8_t *bytes = (const uint8_t *)memory->bytes;
        uint32_t at = 0u;

        for (j = 0u; j < count; j++) {
            const uint32_t offset = holes[j].start - memory->start;

            if (holes[j].start < memory->start || offset >= memory->size) {
                continue;
            }
            if (offset < at || holes[j].size > memory->size - offset) {
                return 0; /* two of them overlap, or one leaves the memory */
            }
            digest_add(bytes + at, offset - at);
            at = offset + holes[j].size;
        }
        digest_add(bytes + at, memory->size - at);
    }
    digest_end(digest);
    return memcmp(digest, record->rest_sha256, sizeof digest) == 0;
}

const char *boot_check(const struct device *device, const struct gemel_record **record)
{
    const struct span start = {device->record, 1u};
    const uint8_t *area = bytes_at(device, device->seal);
    enum gemel_record_error found;
    enum gemel_seal_error sealed;
    struct gemel_seal seal;
    const char *why;

    *record = (const struct gemel_record *)(const void *)bytes_at(device, start);
    if (*record == NULL || area == NULL) {
        return "record or seal lie outside the flash";
    }
    found = gemel_record_check(*record, room_at(device, device->record));
    if (found != GEMEL_RECORD_SOUND) {
        return gemel_record_error_text(found);
    }
    sealed = gemel_seal_check(area, device->seal.size, device->erased_byte, &seal);
    if (sealed != GEMEL_SEAL_SOUND) {
        return gemel_seal_error_text(sealed);
    }
    why = signers_hold(device, &seal, *record);
    if (why == NULL) {
        why = made_for(device, *record);
    }
    if (why == NULL && !builds_hold(device, *record)) {
        why = "a build was changed";
    }
    if (why == NULL && !rest_holds(device, *record)) {
        why = "flash outside the builds was changed";
    }
    return why;
}
