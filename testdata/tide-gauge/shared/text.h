/* Lines of text put together in a buffer that the caller owns. */
#ifndef TEXT_H
#define TEXT_H

#include <stdint.h>

struct text {
    char *next; /* where the next character goes */
    char *end;  /* the last byte of the buffer, kept for the ending zero */
};

/* Starts an empty text in a buffer of `size` bytes, at least one. */
struct text text_in(char *buffer, uint32_t size);

/* Each appends to the text, cutting off what does not fit. */
void text_add(struct text *text, const char *words);
void text_unsigned(struct text *text, uint32_t number);
void text_signed(struct text *text, int32_t number);
void text_hex(struct text *text, uint32_t number);     /* 0123abcd */
void text_address(struct text *text, uint32_t address); /* 0x0123_ABCD */

#endif
