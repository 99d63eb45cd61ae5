/* A file read whole, for the programs that run the exported readers. */
#ifndef CONTENTS_H
#define CONTENTS_H

#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

static uint8_t *contents(const char *path, size_t *size)
{
    FILE *file = fopen(path, "rb");
    uint8_t *bytes;
    long end;

    if (file == NULL || fseek(file, 0, SEEK_END) != 0 || (end = ftell(file)) < 0) {
        perror(path);
        exit(2);
    }
    rewind(file);
    *size = (size_t)end;
    bytes = malloc(*size != 0 ? *size : 1u);
    if (bytes == NULL || fread(bytes, 1u, *size, file) != *size) {
        perror(path);
        exit(2);
    }
    fclose(file);
    return bytes;
}

#endif
