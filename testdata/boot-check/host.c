/*
 * The boot check as a program for a host: what a device has built in comes from the command line.
 *
 *     boot-check --flash START FILE... --record ADDRESS --seal ADDRESS SIZE --product NAME
 *                [--vendor ID] [--class ID] [--layout SHA256] [--at-least N] [--signers N] [--pair]
 *                [--unknown-signers N] [--reserved START SIZE]... [--erased BYTE] --key FILE...
 *
 * FILE of --flash holds every byte of one memory, as `gemel join --memory NAME=FILE` writes it; --flash comes
 * once for each memory.  Numbers and ids are hexadecimal, a key is SubjectPublicKeyInfo in DER.
 *
 * Says what it finds; exit 0: the image would be started, 1: it would not, 2: it could not be told.
 */
#include <ctype.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "boot_check.h"
#include "verify.h"

/* The forms in which a key is taken: what stands before the key itself in its DER. */
static const uint8_t ed25519_head[] = {0x30, 0x2A, 0x30, 0x05, 0x06, 0x03, 0x2B, 0x65, 0x70, 0x03, 0x21, 0x00};
static const uint8_t p256_head[] = {0x30, 0x59, 0x30, 0x13, 0x06, 0x07, 0x2A, 0x86, 0x48,
                                    0xCE, 0x3D, 0x02, 0x01, 0x06, 0x08, 0x2A, 0x86, 0x48,
                                    0xCE, 0x3D, 0x03, 0x01, 0x07, 0x03, 0x42, 0x00};
static const uint8_t ml_dsa_65_head[] = {0x30, 0x82, 0x07, 0xB2, 0x30, 0x0B, 0x06, 0x09, 0x60, 0x86, 0x48,
                                         0x01, 0x65, 0x03, 0x04, 0x03, 0x12, 0x03, 0x82, 0x07, 0xA1, 0x00};
static const uint8_t ml_dsa_87_head[] = {0x30, 0x82, 0x0A, 0x32, 0x30, 0x0B, 0x06, 0x09, 0x60, 0x86, 0x48,
                                         0x01, 0x65, 0x03, 0x04, 0x03, 0x13, 0x03, 0x82, 0x0A, 0x21, 0x00};

static const struct {
    int32_t algorithm;
    const uint8_t *head;
    size_t head_size;
    size_t key_size;
} key_forms[] = {
    {GEMEL_SEAL_ED25519, ed25519_head, sizeof ed25519_head, 32u},
    {GEMEL_SEAL_ECDSA_P256, p256_head, sizeof p256_head, 65u},
    {GEMEL_SEAL_ML_DSA_65, ml_dsa_65_head, sizeof ml_dsa_65_head, 1952u},
    {GEMEL_SEAL_ML_DSA_87, ml_dsa_87_head, sizeof ml_dsa_87_head, 2592u},
};

static void give_up(const char *what)
{
    fprintf(stderr, "boot-check: %s\n", what);
    exit(2);
}

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
    size_t i;

    trusted->size = 0u;
    for (i = 0u; i < sizeof key_forms / sizeof key_forms[0]; i++) {
        if (size == key_forms[i].head_size + key_forms[i].key_size
            && memcmp(der, key_forms[i].head, key_forms[i].head_size) == 0) {
            trusted->algorithm = key_forms[i].algorithm;
            trusted->size = key_forms[i].key_size;
            memcpy(trusted->key, der + key_forms[i].head_size, trusted->size);
        }
    }
    if (trusted->size == 0u) {
        give_up("a key is neither Ed25519, P-256 nor ML-DSA in DER");
    }
    digest_start();
    digest_add(der, size);
    digest_end(trusted->id);
    free(der);
}

static void read_id(const char *text, uint8_t *id, size_t size)
{
    unsigned int byte;
    size_t i;

    for (i = 0u; i < size; i++) {
        while (*text == '-') {
            text++;
        }
        if (!isxdigit((unsigned char)text[0]) || !isxdigit((unsigned char)text[1])
            || sscanf(text, "%2x", &byte) != 1) {
            give_up("an id is too short, or not hexadecimal");
        }
        id[i] = (uint8_t)byte;
        text += 2;
    }
    if (*text != '\0') {
        give_up("an id is too long");
    }
}

static uint32_t number(const char *text)
{
    char *end;
    const unsigned long value = strtoul(text, &end, 16);

    if (end == text || *end != '\0' || value > 0xFFFFFFFFul) {
        give_up("not a hexadecimal number of 32 bits");
    }
    return (uint32_t)value;
}

static void add_memory(struct device *device, const char *start, const char *path)
{
    struct gemel_memory *memory = &device->memories[device->memory_count++];
    size_t size;

    if (device->memory_count > MAX_MEMORIES) {
        give_up("too many memories");
    }
    memory->bytes = contents(path, &size);
    memory->start = number(start);
    memory->size = (uint32_t)size;
    if (device->memory_count > 1u && memory->start < memory[-1].start) {
        give_up("memories are given by ascending address");
    }
}

/* One option; the result is how many words it took. */
static int take(struct device *device, char **words, int left)
{
    static uint8_t layout_sha256[32];
    const char *name = words[0];

    if (strcmp(name, "--pair") == 0) {
        device->pair = 1;
        return 1;
    }
    if (left < 2) {
        give_up("a value is missing");
    }
    if (strcmp(name, "--record") == 0) {
        device->record = number(words[1]);
    } else if (strcmp(name, "--at-least") == 0) {
        device->at_least = number(words[1]);
    } else if (strcmp(name, "--signers") == 0) {
        device->signers = number(words[1]);
    } else if (strcmp(name, "--unknown-signers") == 0) {
        device->unknown_signers = number(words[1]);
    } else if (strcmp(name, "--erased") == 0) {
        device->erased_byte = (uint8_t)number(words[1]);
    } else if (strcmp(name, "--product") == 0 && strlen(words[1]) < sizeof device->product) {
        strcpy(device->product, words[1]);
    } else if (strcmp(name, "--vendor") == 0) {
        read_id(words[1], device->vendor_id, sizeof device->vendor_id);
    } else if (strcmp(name, "--class") == 0) {
        read_id(words[1], device->class_id, sizeof device->class_id);
    } else if (strcmp(name, "--layout") == 0) {
        read_id(words[1], layout_sha256, sizeof layout_sha256);
        device->layout_sha256 = layout_sha256;
    } else if (strcmp(name, "--key") == 0 && device->key_count < MAX_KEYS) {
        read_key(words[1], &device->keys[device->key_count++]);
    } else if (left > 2 && strcmp(name, "--flash") == 0) {
        add_memory(device, words[1], words[2]);
        return 3;
    } else if (left > 2 && strcmp(name, "--seal") == 0) {
        device->seal.start = number(words[1]);
        device->seal.size = number(words[2]);
        return 3;
    } else if (left > 2 && strcmp(name, "--reserved") == 0 && device->reserved_count < MAX_RESERVED) {
        device->reserved[device->reserved_count].start = number(words[1]);
        device->reserved[device->reserved_count++].size = number(words[2]);
        return 3;
    } else {
        give_up("an option that is unknown, or of which there are too many");
    }
    return 2;
}

int main(int count, char **words)
{
    static struct device device;
    const struct gemel_record *record;
    const char *why;
    size_t i;
    int at;

    device.erased_byte = 0xFFu;
    device.signers = 1u;
    for (at = 1; at < count;) {
        at += take(&device, &words[at], count - at);
    }
    if (device.memory_count == 0u || device.key_count == 0u || device.record % GEMEL_RECORD_ALIGNMENT != 0u) {
        give_up("--flash, --record, --seal, --product and --key are due");
    }
    why = boot_check(&device, &record);
    if (why == NULL) {
        printf("started: %s %u.%u.%" PRIu32 "\n", record->product, record->major, record->minor, record->patch);
    } else {
        printf("refused: %s\n", why);
    }
    for (i = 0u; i < device.memory_count; i++) {
        free((void *)(uintptr_t)device.memories[i].bytes);
    }
    return why != NULL;
}
