/*
 * What the boot check needs of a cryptographic library: two signatures to verify, one digest.
 *
 * verify_sodium.c and verify_mbedtls.c are two ways to have it; a device has its own.
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

/* SHA-256 over pieces: start, add each, then end; the digest has 32 bytes. */
void digest_start(void);
void digest_add(const uint8_t *bytes, size_t size);
void digest_end(uint8_t *digest);

#endif
