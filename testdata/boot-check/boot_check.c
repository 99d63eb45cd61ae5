/*
 * A boot check on a host: whether boot code would start the image in a flash, by its record and seal.
 *
 *     boot-check FLASH START RECORD SEAL SEAL_SIZE AT_LEAST SIGNERS KEY...
 *
 * FLASH is a file with every byte of one flash memory, whose first byte has address START; the record's
 * area is at address RECORD, the seal's, of SEAL_SIZE bytes, at SEAL (numbers in hexadecimal).  AT_LEAST is
 * the lowest rollback counter, SIGNERS how many of the keys must have signed; each KEY is a file with a
 * public key, SubjectPublicKeyInfo in DER.  Real boot code has all of these built in, and never takes them
 * from the image; whether enough has been signed is its policy, not the seal's.
 *
 * Says what it finds; exit 0: the image would be started, 1: it would not, 2: it could not be told.
 */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "gemel_record.h"
#include "verify.h"

#define MAX_KEYS 4u

/* The two forms in which a key is taken: what stands before the key itself in its DER. */
static const uint8_t ed25519_head[] = {0x30, 0x2A, 0x30, 0x05, 0x06, 0x03, 0x2B, 0x65, 0x70, 0x03, 0x21, 0x00};
static const uint8_t p256_head[] = {0x30, 0x59, 0x30, 0x13, 0x06, 0x07, 0x2A, 0x86, 0x48,
                                    0xCE, 0x3D, 0x02, 0x01, 0x06, 0x08, 0x2A, 0x86, 0x48,
                                    0xCE, 0x3D, 0x03, 0x01, 0x07, 0x03, 0x42, 0x00};

struct trusted_key {
    int32_t algorithm;
    uint8_t id[GEMEL_SEAL_KEY_ID_SIZE];
    uint8_t key[65];
};

struct span {
    uint32_t start;
    uint32_t size;
};

static uint8_t *contents(const char *path, size_t *size)
{
    FILE *file = fopen(path, "rb");
    uint8_t *bytes;
    long end;

    if (file == NULL || fseek(file, 0, SEEK_END) != 0 || (end = ftell(file)) <= 0) {
        perror(path);
        exit(2);
    }
    rewind(file);
    *size = (size_t)end;
    bytes = malloc(*size);
    if (bytes == NULL || fread(bytes, 1u, *size, file) != *size) {
        perror(path);
        exit(2);
    }
    fclose(file);
    return bytes;
}

static void read_key(const char *path, struct trusted_key *trusted)
{
    size_t size;
    uint8_t *der = contents(path, &size);

    if (size == sizeof ed25519_head + 32u && memcmp(der, ed25519_head, sizeof ed25519_head) == 0) {
        trusted->algorithm = GEMEL_SEAL_ED25519;
        memcpy(trusted->key, der + sizeof ed25519_head, 32u);
    } else if (size == sizeof p256_head + 65u && memcmp(der, p256_head, sizeof p256_head) == 0) {
        trusted->algorithm = GEMEL_SEAL_ECDSA_P256;
        memcpy(trusted->key, der + sizeof p256_head, 65u);
    } else {
        fprintf(stderr, "%s: neither an Ed25519 nor a P-256 key in DER\n", path);
        exit(2);
    }
    digest_start();
    digest_add(der, size);
    digest_end(trusted->id);
    free(der);
}

/* Whether a key is among the first `count`: one that is given twice counts once. */
static int is_among(const struct trusted_key *trusted, const struct trusted_key *keys, size_t count)
{
    size_t i;

    for (i = 0u; i < count; i++) {
        if (memcmp(trusted->id, keys[i].id, sizeof trusted->id) == 0) {
            return 1;
        }
    }
    return 0;
}

/* Whether this key signed the record: it is named in the seal, with its own algorithm, and it holds. */
static int key_signed(const struct trusted_key *trusted, const struct gemel_seal *seal,
                      const struct gemel_record *record)
{
    static uint8_t bytes[GEMEL_SEAL_MAX_SIGNED];
    uint8_t prefix[GEMEL_SEAL_PREFIX_SIZE];
    struct gemel_signer signer;

    if (!gemel_seal_by_key(seal, trusted->id, &signer) || signer.algorithm != trusted->algorithm) {
        return 0;
    }
    if (signer.algorithm == GEMEL_SEAL_ED25519) { /* the pure form wants all bytes at once */
        const size_t size = gemel_seal_signed(&signer, record, bytes, sizeof bytes);

        return size != 0u && ed25519_holds(trusted->key, signer.signature, bytes, size);
    }
    return p256_holds(trusted->key, signer.signature, prefix, gemel_seal_prefix(&signer, record, prefix),
                      (const uint8_t *)record, record->record_size);
}

/* Whether the bytes of every build have the digest that the record states. */
static int builds_hold(const struct gemel_record *record, const struct gemel_memory *flash)
{
    const struct gemel_build *build;
    uint8_t digest[32];
    size_t i;

    for (i = 0; (build = gemel_record_build(record, i)) != NULL; i++) {
        if (gemel_build_check(build, flash, 1u) != GEMEL_RECORD_SOUND) { /* it lies in the flash, too */
            printf("build %s is not the one that was signed\n", build->name);
            return 0;
        }
        digest_start();
        digest_add((const uint8_t *)flash->bytes + (build->stored_start - flash->start), build->stored_size);
        digest_end(digest);
        if (memcmp(digest, build->sha256, sizeof digest) != 0) {
            printf("build %s is not the one that was signed\n", build->name);
            return 0;
        }
    }
    return 1;
}

static int by_start(const void *one, const void *other)
{
    const uint32_t first = ((const struct span *)one)->start;
    const uint32_t second = ((const struct span *)other)->start;

    return (first > second) - (first < second);
}

/*
 * Whether the flash outside the builds, the record and the seal's area has the digest that the record
 * states.  Areas of purpose reserved, of which this device has none, would be left out as well.
 */
static int rest_holds(const struct gemel_record *record, const struct gemel_memory *flash, struct span own,
                      struct span seal)
{
    struct span holes[GEMEL_RECORD_MAX_BUILDS + 3u];
    const struct gemel_build *build;
    uint8_t digest[32];
    uint32_t at = 0u;
    size_t count = 0u;
    size_t i;

    while ((build = gemel_record_build(record, count)) != NULL) {
        holes[count].start = build->stored_start - flash->start;
        holes[count].size = build->stored_size;
        count++;
    }
    holes[count++] = own;
    holes[count++] = seal;
    qsort(holes, count, sizeof holes[0], by_start);
    holes[count].start = flash->size;
    holes[count++].size = 0u;
    digest_start();
    for (i = 0u; i < count; i++) {
        if (holes[i].start < at) {
            return 0; /* two of them overlap */
        }
        digest_add((const uint8_t *)flash->bytes + at, holes[i].start - at);
        at = holes[i].start + holes[i].size;
    }
    digest_end(digest);
    return memcmp(digest, record->rest_sha256, sizeof digest) == 0;
}

static int refused(const char *why)
{
    printf("refused: %s\n", why);
    return 1;
}

static int verdict(const struct gemel_memory *flash, struct span own, struct span seal_area,
                   uint32_t at_least, unsigned long signers, const struct trusted_key *keys, size_t count)
{
    const uint8_t *bytes = (const uint8_t *)flash->bytes;
    const struct gemel_record *record = (const struct gemel_record *)(const void *)(bytes + own.start);
    const enum gemel_record_error found = gemel_record_check(record, flash->size - own.start);
    enum gemel_seal_error sealed;
    struct gemel_seal seal;
    unsigned long good = 0u;
    size_t i;

    if (found != GEMEL_RECORD_SOUND) {
        return refused(gemel_record_error_text(found));
    }
    sealed = gemel_seal_check(bytes + seal_area.start, seal_area.size, 0xFFu, &seal);
    if (sealed != GEMEL_SEAL_SOUND) {
        return refused(gemel_seal_error_text(sealed));
    }
    for (i = 0u; i < count; i++) {
        if (!is_among(&keys[i], keys, i) && key_signed(&keys[i], &seal, record)) {
            good++;
        }
    }
    printf("%lu of %zu trusted keys signed this record\n", good, count);
    if (good == 0u || good < signers) {
        return refused("too few trusted keys signed");
    }
    if (record->rollback < at_least) {
        return refused("older than this device accepts");
    }
    if (!builds_hold(record, flash)) {
        return refused("a build was changed");
    }
    own.size = record->record_size;
    if (!rest_holds(record, flash, own, seal_area)) {
        return refused("flash outside the builds was changed");
    }
    printf("started: %s %u.%u.%" PRIu32 "\n", record->product, record->major, record->minor, record->patch);
    return 0;
}

int main(int count, char **arguments)
{
    struct trusted_key keys[MAX_KEYS];
    struct gemel_memory flash;
    struct span own;
    struct span seal_area;
    uint8_t *bytes;
    size_t size;
    size_t given;
    size_t i;
    int status;

    if (count < 9 || count - 8 > (int)MAX_KEYS) {
        fprintf(stderr, "boot-check FLASH START RECORD SEAL SEAL_SIZE AT_LEAST SIGNERS KEY...\n");
        return 2;
    }
    bytes = contents(arguments[1], &size);
    flash.start = (uint32_t)strtoul(arguments[2], NULL, 16);
    flash.size = (uint32_t)size;
    flash.bytes = bytes;
    own.start = (uint32_t)strtoul(arguments[3], NULL, 16) - flash.start;
    own.size = 0u;
    seal_area.start = (uint32_t)strtoul(arguments[4], NULL, 16) - flash.start;
    seal_area.size = (uint32_t)strtoul(arguments[5], NULL, 16);
    if (own.start >= size || own.start % GEMEL_RECORD_ALIGNMENT != 0u || seal_area.start >= size
        || seal_area.size > size - seal_area.start) {
        fprintf(stderr, "record or seal lie outside the flash\n");
        free(bytes);
        return 2;
    }
    given = (size_t)count - 8u;
    for (i = 0u; i < given; i++) {
        read_key(arguments[8 + i], &keys[i]);
    }
    status = verdict(&flash, own, seal_area, (uint32_t)strtoul(arguments[6], NULL, 16),
                     strtoul(arguments[7], NULL, 16), keys, given);
    free(bytes);
    return status;
}
