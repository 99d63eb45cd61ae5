#include "text.h"

struct text text_in(char *buffer, uint32_t size)
{
    buffer[0] = '\0';
    return (struct text){ .next = buffer, .end = buffer + size - 1 };
}

static void add_character(struct text *text, char character)
{
    if (text->next < text->end) {
        *text->next++ = character;
        *text->next = '\0';
    }
}

void text_add(struct text *text, const char *words)
{
    while (*words != '\0') {
        add_character(text, *words++);
    }
}

void text_unsigned(struct text *text, uint32_t number)
{
    char digits[10];
    uint32_t count = 0;

    do {
        digits[count++] = (char)('0' + number % 10u);
        number /= 10u;
    } while (number != 0u);
    while (count > 0u) {
        add_character(text, digits[--count]);
    }
}

void text_signed(struct text *text, int32_t number)
{
    if (number < 0) {
        add_character(text, '-');
        text_unsigned(text, 0u - (uint32_t)number);
    } else {
        text_unsigned(text, (uint32_t)number);
    }
}

static void add_nibbles(struct text *text, uint32_t number, uint32_t count, const char *alphabet)
{
    while (count > 0u) {
        add_character(text, alphabet[(number >> (4u * --count)) & 0xFu]);
    }
}

void text_hex(struct text *text, uint32_t number)
{
    add_nibbles(text, number, 8u, "0123456789abcdef");
}

void text_address(struct text *text, uint32_t address)
{
    text_add(text, "0x");
    add_nibbles(text, address >> 16, 4u, "0123456789ABCDEF");
    text_add(text, "_");
    add_nibbles(text, address & 0xFFFFu, 4u, "0123456789ABCDEF");
}
