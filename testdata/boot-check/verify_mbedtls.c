/* ECDSA on P-256 by mbed TLS; what is signed is hashed in pieces, so that no buffer is needed. */
#include <mbedtls/ecdsa.h>
#include <mbedtls/md.h>

#include "verify.h"

static int sha256(uint8_t *digest, const uint8_t *first, size_t first_size, const uint8_t *second,
                  size_t second_size)
{
    const mbedtls_md_info_t *kind = mbedtls_md_info_from_type(MBEDTLS_MD_SHA256);
    mbedtls_md_context_t context;
    int failed;

    mbedtls_md_init(&context);
    failed = mbedtls_md_setup(&context, kind, 0);
    failed = failed || mbedtls_md_starts(&context);
    failed = failed || mbedtls_md_update(&context, first, first_size);
    failed = failed || mbedtls_md_update(&context, second, second_size);
    failed = failed || mbedtls_md_finish(&context, digest);
    mbedtls_md_free(&context);
    return !failed;
}

int p256_holds(const uint8_t *key, const uint8_t *signature, const uint8_t *first, size_t first_size,
               const uint8_t *second, size_t second_size)
{
    uint8_t digest[32];
    mbedtls_ecp_group curve;
    mbedtls_ecp_point point;
    mbedtls_mpi r;
    mbedtls_mpi s;
    int failed;

    if (!sha256(digest, first, first_size, second, second_size)) {
        return 0;
    }
    mbedtls_ecp_group_init(&curve);
    mbedtls_ecp_point_init(&point);
    mbedtls_mpi_init(&r);
    mbedtls_mpi_init(&s);
    failed = mbedtls_ecp_group_load(&curve, MBEDTLS_ECP_DP_SECP256R1);
    failed = failed || mbedtls_ecp_point_read_binary(&curve, &point, key, 65u);
    failed = failed || mbedtls_ecp_check_pubkey(&curve, &point);
    failed = failed || mbedtls_mpi_read_binary(&r, signature, 32u);
    failed = failed || mbedtls_mpi_read_binary(&s, signature + 32, 32u);
    failed = failed || mbedtls_ecdsa_verify(&curve, digest, sizeof digest, &point, &r, &s);
    mbedtls_mpi_free(&s);
    mbedtls_mpi_free(&r);
    mbedtls_ecp_point_free(&point);
    mbedtls_ecp_group_free(&curve);
    return !failed;
}
