/* Ed25519 and SHA-256 by libsodium. */
#include <sodium.h>

#include "verify.h"

static crypto_hash_sha256_state state;

int ed25519_holds(const uint8_t *key, const uint8_t *signature, const uint8_t *bytes, size_t size)
{
    return sodium_init() >= 0 && crypto_sign_verify_detached(signature, bytes, size, key) == 0;
}

void digest_start(void)
{
    crypto_hash_sha256_init(&state);
}

void digest_add(const uint8_t *bytes, size_t size)
{
    crypto_hash_sha256_update(&state, bytes, size);
}

void digest_end(uint8_t *digest)
{
    crypto_hash_sha256_final(&state, digest);
}
