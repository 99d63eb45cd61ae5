/*
 * Runs the reader's step from record to seal on a host; the tests compare what it prints with the
 * Python decoder.
 *
 *     seal RECORD CASES    RECORD holds a sound record; CASES holds areas: u32 SIZE, u32 ERASED, then
 *                          SIZE bytes each; print one line for each
 *
 * A line is the verdict and, of a sound seal, its size and for each signer: the algorithm, the key's
 * id, and the CRC-32 of its signature and of the bytes that it signed.  Every area lies in an allocation
 * of exactly its size, and so does every buffer, so that the address sanitizer sees a byte too many.
 */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "contents.h"
#include "gemel_record.h"

/* The signed bytes in one buffer of just their size; ends the program unless both ways give them. */
static uint32_t signed_crc(const struct gemel_signer *signer, const struct gemel_record *record)
{
    uint8_t *prefix = malloc(GEMEL_SEAL_PREFIX_SIZE);
    uint8_t *whole = malloc(GEMEL_SEAL_MAX_SIGNED);
    const size_t room = GEMEL_SEAL_PREFIX_SIZE + record->record_size;
    uint8_t *exact = malloc(room);
    size_t before;
    size_t size;
    uint32_t crc;

    if (prefix == NULL || whole == NULL || exact == NULL) {
        exit(2);
    }
    before = gemel_seal_prefix(signer, record, prefix);
    size = gemel_seal_signed(signer, record, whole, GEMEL_SEAL_MAX_SIGNED);
    crc = gemel_crc32(gemel_crc32(0u, prefix, before), record, record->record_size);
    if (size != before + record->record_size || gemel_crc32(0u, whole, size) != crc
        || gemel_seal_signed(signer, record, exact, room) != size || memcmp(exact, whole, size) != 0
        || gemel_seal_signed(signer, record, exact, room - 1u) != 0
        || gemel_seal_signed(signer, record, exact, 0u) != 0) {
        printf("the signed bytes differ\n");
        exit(2);
    }
    free(prefix);
    free(whole);
    free(exact);
    return crc;
}

static void show_signer(const struct gemel_seal *seal, const struct gemel_signer *signer,
                        const struct gemel_record *record)
{
    struct gemel_signer same;
    size_t i;

    if (!gemel_seal_by_key(seal, signer->key_id, &same) || same.signature != signer->signature) {
        printf(" not found by its key");
    }
    printf(" %" PRId32 " ", signer->algorithm);
    for (i = 0; i < GEMEL_SEAL_KEY_ID_SIZE; i++) {
        printf("%02x", signer->key_id[i]);
    }
    printf(" %08" PRIx32 " %08" PRIx32, gemel_crc32(0u, signer->signature, signer->signature_size),
           signed_crc(signer, record));
}

static void one_area(const uint8_t *area, size_t size, uint8_t erased, const struct gemel_record *record)
{
    static const uint8_t nobody[GEMEL_SEAL_KEY_ID_SIZE] = {1u, 2u, 3u};
    struct gemel_seal seal;
    struct gemel_signer signer;
    size_t i;
    const enum gemel_seal_error error = gemel_seal_check(area, size, erased, &seal);

    printf("%d", (int)error);
    if (error == GEMEL_SEAL_SOUND) {
        printf(" %zu", seal.size);
        for (i = 0; gemel_seal_signer(&seal, i, &signer); i++) {
            show_signer(&seal, &signer, record);
        }
        if (i != seal.signer_count || gemel_seal_signer(&seal, i + 1u, &signer)
            || gemel_seal_by_key(&seal, nobody, &signer)) {
            printf(" other signers");
        }
    }
    printf(" %s\n", gemel_seal_error_text(error));
}

int main(int count, char **arguments)
{
    size_t record_size;
    size_t size;
    size_t at = 0;
    uint8_t *record;
    uint8_t *cases;

    if (count != 3) {
        return 2;
    }
    record = contents(arguments[1], &record_size);
    cases = contents(arguments[2], &size);
    if (gemel_record_check(record, record_size) != GEMEL_RECORD_SOUND) {
        return 2;
    }
    while (at < size) {
        uint32_t head[2];
        uint8_t *area;

        memcpy(head, cases + at, sizeof head);
        at += sizeof head;
        area = malloc(head[0] != 0 ? head[0] : 1u);
        if (area == NULL) {
            return 2;
        }
        memcpy(area, cases + at, head[0]);
        at += head[0];
        one_area(area, head[0], (uint8_t)head[1], (const struct gemel_record *)(void *)record);
        free(area);
    }
    free(record);
    free(cases);
    return 0;
}
