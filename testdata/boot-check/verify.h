/*
 * What the boot check needs of cryptographic libraries: three kinds of signature to verify, one digest.
 *
 * verify_sodium.c, verify_mbedtls.c and verify_process.c are ways to have it; a device has its own.
 */
#ifndef VERIFY_H
#define VERIFY_H

#include <stddef.h>
#include <stdint.h>

/* Whether `signature` (64 bytes, RFC 8032) is one by `key` (32 bytes) over `size` bytes at `bytes`. */
int ed25519_holds(const uint8_t *key, const uint8_t *signature, const uint8_t *bytes, size_t size);

/*
 * Whether `signature` (r and s, 64 bytes) is one by `key` (04, x, y: 65 bytes) on curve P-256 with
 * SHA-256 over the bytes of two pieces, one behind the other.
 */
int p256_holds(const uint8_t *key, const uint8_t *signature, const uint8_t *first, size_t first_size,
               const uint8_t *second, size_t second_size);

/*
 * Whether `signature` is one of ML-DSA (pure, empty context) by `key` over `size` bytes at `bytes`; the size of
 * the key says whether it is ML-DSA-65 (1,952 bytes) or ML-DSA-87 (2,592).
 */
int ml_dsa_holds(const uint8_t *key, size_t key_size, const uint8_t *signature, size_t signature_size,
                 const uint8_t *bytes, size_t size);

/* SHA-256 over pieces: start, add each, then end; the digest has 32 bytes. */
void digest_start(void);
void digest_add(const uint8_t *bytes, size_t size);
void digest_end(uint8_t *digest);

#endif
