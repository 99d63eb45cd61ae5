/*
 * ML-DSA by another program: the C libraries that this example is built with have none yet.  The program that
 * the environment names in BOOT_CHECK_ML_DSA gets key, signature and bytes on its standard input, each after
 * its size (four bytes, little-endian), and ends with 0 if the signature holds.  `ml_dsa_reference.py` is one.
 *
 * For a host only.  A device has ML-DSA in its own code.
 */
#define _POSIX_C_SOURCE 200809L
#include <stdio.h>
#include <stdlib.h>

#include "verify.h"

static int put(FILE *pipe, const uint8_t *bytes, size_t size)
{
    const uint8_t head[4] = {(uint8_t)size, (uint8_t)(size >> 8), (uint8_t)(size >> 16), (uint8_t)(size >> 24)};

    return fwrite(head, 1u, sizeof head, pipe) == sizeof head && fwrite(bytes, 1u, size, pipe) == size;
}

int ml_dsa_holds(const uint8_t *key, size_t key_size, const uint8_t *signature, size_t signature_size,
                 const uint8_t *bytes, size_t size)
{
    const char *program = getenv("BOOT_CHECK_ML_DSA");
    FILE *pipe = program != NULL ? popen(program, "w") : NULL;
    int whole;

    if (pipe == NULL) {
        return 0;
    }
    whole = put(pipe, key, key_size) && put(pipe, signature, signature_size) && put(pipe, bytes, size);
    return pclose(pipe) == 0 && whole;
}
