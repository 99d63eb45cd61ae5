/*
 * The step from the record to its seal. `gemel explain seal` prints the format. A seal has one
 * form: whatever is not byte for byte as that form demands is refused, and each byte of the
 * area is accounted for. Nothing here verifies a signature; any cryptographic library can, with
 * what is handed out: the algorithm, the key's id, the signature, and the bytes it is over.
 *
 *     static int seal_holds(const struct gemel_record *record, const void *area, size_t size,
 *                           const uint8_t trusted_key_id[GEMEL_SEAL_KEY_ID_SIZE],
 *                           int (*verify)(const uint8_t *signature, const uint8_t *bytes, size_t size))
 *     {
 *         static uint8_t bytes[GEMEL_SEAL_MAX_SIGNED];
 *         struct gemel_seal seal;
 *         struct gemel_signer signer;
 *
 *         return gemel_seal_check(area, size, 0xFFu, &seal) == GEMEL_SEAL_SOUND
 *             && gemel_seal_unknown_signers(&seal, &trusted_key_id, 1u) == 0u
 *             && gemel_seal_by_key(&seal, trusted_key_id, &signer)
 *             && signer.algorithm == GEMEL_SEAL_ED25519
 *             && verify(signer.signature, bytes, gemel_seal_signed(&signer, record, bytes, sizeof bytes));
 *     }
 *
 * `record` is one that gemel_record_check() found sound. Where a library hashes in pieces, no
 * buffer is needed: the signed bytes are those of gemel_seal_prefix(), then the record's
 * record_size bytes where they lie.
 *
 * A signature that holds says that the key's owner signed this record, and nothing of the rest
 * of the flash before its SHA-256 digests were compared. Boot code takes the key and its
 * algorithm from its own memory, never from the image; where two signers are due it looks for
 * both, since whoever can write the image can take one away; it refuses signers whose keys it
 * does not know, since their signatures can be any bytes; and it compares record->rollback
 * with a counter that cannot be set back, and product, vendor and class with its own.
 */

#define GEMEL_SEAL_HEAD {{ seal_head|c_lines }}
#define GEMEL_SEAL_HEAD_SIZE {{ seal_head|length }}u
#define GEMEL_SEAL_SIGNED_HEAD {{ signed_head|c_lines }}
#define GEMEL_SEAL_PREFIX_SIZE {{ prefix_size }}u
#define GEMEL_SEAL_MAX_SIGNED {{ max_signed }}u
#define GEMEL_SEAL_MAX_SIGNERS {{ max_signers }}u
#define GEMEL_SEAL_KEY_ID_SIZE {{ key_id_size }}u
{% for name, cose_id, _ in algorithms %}
#define {{ name }} ({{ cose_id }})
{% endfor %}

/* What can be wrong with a seal. The numbers are the same in every version of this reader. */
enum gemel_seal_error {
{% for name, (code, _) in seal_errors.items() %}
    GEMEL_SEAL_{{ name }} = {{ code }}{{ "" if loop.last else "," }}
{% endfor %}
};

/* A seal that gemel_seal_check() found sound: `size` bytes of its area. */
struct gemel_seal {
    const uint8_t *bytes;
    size_t size;
    size_t signer_count;
};

/* One signer; the pointers go into the seal itself. */
struct gemel_signer {
    int32_t algorithm;        /* COSE's number: GEMEL_SEAL_ED25519 and so on */
    const uint8_t *key_id;    /* SHA-256 of the public key, SubjectPublicKeyInfo in DER */
    const uint8_t *signature; /* ECDSA: r, then s, big-endian, each half of it */
    size_t signature_size;
    const uint8_t *header;    /* the protected header, which is signed with the record */
    size_t header_size;
};

/* The error in words, for a log; never NULL. */
static inline const char *gemel_seal_error_text(enum gemel_seal_error error)
{
    switch (error) {
{% for name, (_, text) in seal_errors.items() %}
    case GEMEL_SEAL_{{ name }}:
        return "{{ text }}";
{% endfor %}
    }
    return "not an error of this reader";
}

/* Whether the first of `size` bytes are those of `expected`. */
static inline int gemel_starts_with(const uint8_t *bytes, size_t size, const uint8_t *expected,
                                    size_t expected_size)
{
    size_t i;

    if (size < expected_size) {
        return 0;
    }
    for (i = 0u; i < expected_size; i++) {
        if (bytes[i] != expected[i]) {
            return 0;
        }
    }
    return 1;
}

/* Bytes of a signature of that algorithm; 0 for one that no seal has. */
static inline size_t gemel_seal_signature_size(int32_t algorithm)
{
    switch (algorithm) {
{% for name, _, size in algorithms %}
    case {{ name }}:
        return {{ size }}u;
{% endfor %}
    default:
        return 0u;
    }
}

/*
 * The signer that starts at `bytes`, of which `size` may be read: 83, its protected header
 * (58 size A2 01 algorithm 04 58 20 key id), A0, its signature (58 or 59, size, bytes).
 * The result is how many bytes that takes; 0 if there is no signer in this form.
 */
static inline size_t gemel_signer_at(const uint8_t *bytes, size_t size, struct gemel_signer *signer)
{
    static const uint8_t key_id_head[] = {0x04u, 0x58u, GEMEL_SEAL_KEY_ID_SIZE};
    size_t id_size = 1u;
    size_t at;

    if (size < 7u || bytes[0] != 0x83u || bytes[1] != 0x58u || bytes[3] != 0xA2u || bytes[4] != 0x01u) {
        return 0u;
    }
    if (bytes[5] >= 0x20u && bytes[5] <= 0x37u) { /* RFC 8949 3: a negative number down to -24 */
        signer->algorithm = 0x1F - (int32_t)bytes[5];
    } else if (bytes[5] == 0x38u && bytes[6] >= 24u) { /* down to -256 */
        signer->algorithm = -1 - (int32_t)bytes[6];
        id_size = 2u;
    } else {
        return 0u;
    }
    signer->signature_size = gemel_seal_signature_size(signer->algorithm);
    signer->header = &bytes[3];
    signer->header_size = 2u + id_size + sizeof key_id_head + GEMEL_SEAL_KEY_ID_SIZE;
    at = 5u + id_size;
    if (signer->signature_size == 0u || bytes[2] != signer->header_size
        || !gemel_starts_with(&bytes[at], size - at, key_id_head, sizeof key_id_head)) {
        return 0u;
    }
    at += sizeof key_id_head;
    if (size - at < GEMEL_SEAL_KEY_ID_SIZE + 4u) {
        return 0u;
    }
    signer->key_id = &bytes[at];
    at += GEMEL_SEAL_KEY_ID_SIZE;
    if (bytes[at] != 0xA0u) {
        return 0u;
    }
    if (signer->signature_size < 256u) {
        if (bytes[at + 1u] != 0x58u || bytes[at + 2u] != signer->signature_size) {
            return 0u;
        }
        at += 3u;
    } else {
        if (bytes[at + 1u] != 0x59u || bytes[at + 2u] != signer->signature_size >> 8
            || bytes[at + 3u] != (signer->signature_size & 0xFFu)) {
            return 0u;
        }
        at += 4u;
    }
    if (size - at < signer->signature_size) {
        return 0u;
    }
    signer->signature = &bytes[at];
    return at + signer->signature_size;
}

/* Signer `index` of a sound seal goes into `signer`, result 1; behind the last: 0. */
static inline int gemel_seal_signer(const struct gemel_seal *seal, size_t index,
                                    struct gemel_signer *signer)
{
    size_t at = GEMEL_SEAL_HEAD_SIZE + 1u;

    if (index >= seal->signer_count) {
        return 0;
    }
    for (;;) {
        const size_t taken = gemel_signer_at(&seal->bytes[at], seal->size - at, signer);

        if (taken == 0u) {
            return 0;
        }
        if (index == 0u) {
            return 1;
        }
        index--;
        at += taken;
    }
}

/* The signer of a sound seal whose key has that id goes into `signer`, result 1; none: 0. */
static inline int gemel_seal_by_key(const struct gemel_seal *seal, const uint8_t *key_id,
                                    struct gemel_signer *signer)
{
    size_t i;

    for (i = 0u; gemel_seal_signer(seal, i, signer); i++) {
        if (gemel_starts_with(signer->key_id, GEMEL_SEAL_KEY_ID_SIZE, key_id, GEMEL_SEAL_KEY_ID_SIZE)) {
            return 1;
        }
    }
    return 0;
}

/*
 * How many signers of a sound seal have keys whose ids are none of `key_ids`. Nobody can verify their
 * signatures: where there may be any at all is the device's policy.
 */
static inline size_t gemel_seal_unknown_signers(const struct gemel_seal *seal,
                                                const uint8_t *const *key_ids, size_t count)
{
    struct gemel_signer signer;
    size_t unknown = 0u;
    size_t i;
    size_t j;

    for (i = 0u; gemel_seal_signer(seal, i, &signer); i++) {
        for (j = 0u; j < count; j++) {
            if (gemel_starts_with(signer.key_id, GEMEL_SEAL_KEY_ID_SIZE, key_ids[j],
                                  GEMEL_SEAL_KEY_ID_SIZE)) {
                break;
            }
        }
        unknown += (j == count);
    }
    return unknown;
}

/* Whether header `one` comes before `other`, by their bytes. */
static inline int gemel_header_before(const struct gemel_signer *one, const struct gemel_signer *other)
{
    size_t i;

    for (i = 0u; i < one->header_size && i < other->header_size; i++) {
        if (one->header[i] != other->header[i]) {
            return one->header[i] < other->header[i];
        }
    }
    return one->header_size < other->header_size;
}

/* Whether the signers stand in ascending order of their headers and no key signs twice. */
static inline int gemel_signers_in_order(const struct gemel_seal *seal)
{
    struct gemel_signer earlier;
    struct gemel_signer later;
    size_t i;
    size_t j;

    for (i = 1u; gemel_seal_signer(seal, i, &later); i++) {
        for (j = 0u; j < i; j++) {
            if (!gemel_seal_signer(seal, j, &earlier) || !gemel_header_before(&earlier, &later)
                || gemel_starts_with(earlier.key_id, GEMEL_SEAL_KEY_ID_SIZE, later.key_id,
                                     GEMEL_SEAL_KEY_ID_SIZE)) {
                return 0;
            }
        }
    }
    return 1;
}

/*
 * Whether the `size` bytes of a seal's area begin with a seal and are `erased_byte` behind it.
 * If so, `seal` is that seal. Everything that the functions above rely on is checked here,
 * once; no signature is. The time is that of reading the area a few times.
 */
static inline enum gemel_seal_error gemel_seal_check(const void *area, size_t size, uint8_t erased_byte,
                                                     struct gemel_seal *seal)
{
    static const uint8_t head[GEMEL_SEAL_HEAD_SIZE] = {GEMEL_SEAL_HEAD};
    const uint8_t *bytes = (const uint8_t *)area;
    struct gemel_signer signer;
    size_t at = 0u;
    size_t i;

    while (at < size && bytes[at] == erased_byte) {
        at++;
    }
    if (at == size) {
        return GEMEL_SEAL_ABSENT;
    }
    if (size <= sizeof head || !gemel_starts_with(bytes, size, head, sizeof head)) {
        return GEMEL_SEAL_NOT_A_SEAL;
    }
    at = sizeof head + 1u;
    seal->bytes = bytes;
    seal->signer_count = (size_t)bytes[sizeof head] - 0x80u;
    if (bytes[sizeof head] <= 0x80u || seal->signer_count > GEMEL_SEAL_MAX_SIGNERS) {
        return GEMEL_SEAL_NOT_A_SEAL;
    }
    for (i = 0u; i < seal->signer_count; i++) {
        const size_t taken = gemel_signer_at(&bytes[at], size - at, &signer);

        if (taken == 0u) {
            return GEMEL_SEAL_NOT_A_SEAL;
        }
        at += taken;
    }
    seal->size = at;
    if (!gemel_signers_in_order(seal)) {
        return GEMEL_SEAL_OUT_OF_ORDER;
    }
    for (; at < size; at++) {
        if (bytes[at] != erased_byte) {
            return GEMEL_SEAL_BYTES_BEHIND;
        }
    }
    return GEMEL_SEAL_SOUND;
}

/*
 * What comes before the record in the bytes that `signer` signed (RFC 9052 4.4, Sig_structure)
 * goes into `prefix`, which has room for GEMEL_SEAL_PREFIX_SIZE bytes. The result is how many
 * it is. `record` is sound.
 */
static inline size_t gemel_seal_prefix(const struct gemel_signer *signer,
                                       const struct gemel_record *record, uint8_t *prefix)
{
    static const uint8_t head[] = {GEMEL_SEAL_SIGNED_HEAD};
    size_t at;
    size_t i;

    for (at = 0u; at < sizeof head; at++) {
        prefix[at] = head[at];
    }
    prefix[at++] = 0x58u;
    prefix[at++] = (uint8_t)signer->header_size;
    for (i = 0u; i < signer->header_size; i++) {
        prefix[at++] = signer->header[i];
    }
    prefix[at++] = 0x40u; /* no external data */
    prefix[at++] = 0x59u;
    prefix[at++] = (uint8_t)(record->record_size >> 8);
    prefix[at++] = (uint8_t)(record->record_size & 0xFFu);
    return at;
}

/*
 * All of the bytes that `signer` signed go into `buffer`, which has `room` bytes;
 * GEMEL_SEAL_MAX_SIGNED are enough for any record. The result is how many it is; 0 if there
 * is not enough room. `record` is sound.
 */
static inline size_t gemel_seal_signed(const struct gemel_signer *signer,
                                       const struct gemel_record *record, uint8_t *buffer, size_t room)
{
    const uint8_t *bytes = (const uint8_t *)record;
    size_t at;
    size_t i;

    if (room < GEMEL_SEAL_PREFIX_SIZE || room - GEMEL_SEAL_PREFIX_SIZE < record->record_size) {
        return 0u;
    }
    at = gemel_seal_prefix(signer, record, buffer);
    for (i = 0u; i < record->record_size; i++) {
        buffer[at++] = bytes[i];
    }
    return at;
}
