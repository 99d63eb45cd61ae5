/* The linker's build id, kept in flash so that a running core can say which build it is. */
#ifndef BUILD_ID_H
#define BUILD_ID_H

#include <stdint.h>

struct build_id_note {
    uint32_t name_size;
    uint32_t description_size;
    uint32_t type; /* 3: a build id */
    char name[4];  /* "GNU" and a zero byte */
    uint8_t description[20];
};

/* Placed by the linker script around the section .note.gnu.build-id. */
extern const struct build_id_note build_id_note;

/* The first four bytes of the build id, in the order in which they are printed. */
static inline uint32_t build_id_start(void)
{
    const uint8_t *id = build_id_note.description;

    return (uint32_t)id[0] << 24 | (uint32_t)id[1] << 16 | (uint32_t)id[2] << 8 | id[3];
}

#endif
