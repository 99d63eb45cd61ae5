/*
 * Both readers on one input: by libFuzzer, or with CASES defined for inputs on standard input, each after its
 * size (u32). It prints what reader.c and seal.c print of the input as an image at 0x0800_0000 and as a seal's area.
 *
 * The input's first byte says what is done with the others before: 1: the CRC of a record at their start is made
 * to fit, which no mutation would; 2: the area's erased byte is 0x00, else 0xFF.
 */
#define main reader_main
#include "reader.c"
#undef main
#define main seal_main
#include "seal.c"
#undef main

static const uint8_t sound_record[] = {
#include "record.inc"
};

static void fit_crc(uint8_t *bytes, size_t size)
{
    uint32_t record_size;
    uint32_t crc;

    if (size < 16u) {
        return;
    }
    memcpy(&record_size, bytes + 12, sizeof record_size);
    if (record_size >= 24u && record_size <= size) {
        crc = gemel_crc32(0u, bytes, record_size - 4u);
        memcpy(bytes + record_size - 4u, &crc, sizeof crc);
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);
int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    const uint8_t flags = size != 0u ? data[0] : 0u;
    const size_t rest = size != 0u ? size - 1u : 0u;
    uint8_t *bytes = malloc(rest != 0u ? rest : 1u);
    uint8_t *record = malloc(sizeof sound_record);

    if (bytes == NULL || record == NULL) {
        exit(2);
    }
    memcpy(record, sound_record, sizeof sound_record);
    if (rest != 0u) {
        memcpy(bytes, data + 1, rest);
    }
    if ((flags & 1u) != 0u) {
        fit_crc(bytes, rest);
    }
    one_case(bytes, 0x08000000u, (uint32_t)rest);
    one_area(bytes, rest, (flags & 2u) != 0u ? 0x00u : 0xFFu, (const struct gemel_record *)(void *)record);
    free(bytes);
    free(record);
    return 0;
}

#ifdef CASES
int main(void)
{
    uint32_t size;

    while (fread(&size, sizeof size, 1u, stdin) == 1u) {
        uint8_t *data = malloc(size != 0u ? size : 1u);

        if (data == NULL || fread(data, 1u, size, stdin) != size) {
            return 2;
        }
        LLVMFuzzerTestOneInput(data, size);
        fflush(stdout);
        free(data);
    }
    return 0;
}
#endif
