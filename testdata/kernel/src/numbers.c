/* A C library's formatted output and input of floating-point numbers, its memory, sorting and strings. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "board.h"

#ifdef PICOLIBC
static int put_file(char character, FILE *file)
{
    (void)file;
    put_character(character);
    return character;
}
static FILE port = FDEV_SETUP_STREAM(put_file, NULL, NULL, _FDEV_SETUP_WRITE);
FILE *const stdout = &port;
#endif

#ifdef PICOLIBC /* its start-up code knows of no port and no doorbell */
void put_character(char character)
{
    while ((REGISTER(OWN_SERIAL + 4) & 1u) != 0u) {
    }
    REGISTER(OWN_SERIAL) = (uint8_t)character;
}
#else
void doorbell_handler(void)
{
    for (;;) {
    }
}
#endif

static int by_value(const void *left, const void *right)
{
    double a = *(const double *)left, b = *(const double *)right;

    return (a > b) - (a < b);
}

int main(void)
{
    double values[] = { 3.25, -0.5, 1e10, 1e-7, 36812.4375, 2.0 / 3.0 };
    volatile double two = 2.0;
    char text[64];
    double *copy;

    REGISTER(OWN_SERIAL + 16) = 16u;
    REGISTER(OWN_SERIAL + 8) = 1u;
#ifdef STATION
    release_sampler();
#endif
    printf(NAME "up\n");
    for (unsigned i = 0; i < sizeof values / sizeof *values; i++) {
        printf(NAME "%f %.3e %g [%10.2f] [%-12.4f]\n", values[i], values[i], values[i], values[i], values[i]);
    }
    copy = malloc(sizeof values);
    if (copy == NULL) {
        printf(NAME "no memory\n");
        return 1;
    }
    memcpy(copy, values, sizeof values);
    qsort(copy, sizeof values / sizeof *values, sizeof *values, by_value);
    printf(NAME "least %g, greatest %g, root of two %.10f\n", copy[0], copy[5], sqrt(two));
    free(copy);
    snprintf(text, sizeof text, "%.5f", strtod("2.7182818284590452", NULL) * two);
    printf(NAME "%s, %lu letters, %ld, %#lx\n", text, (unsigned long)strlen(text), strtol("-42", NULL, 10), 255ul);
    printf(NAME "done\n");
    fflush(stdout);
    for (;;) {
        __asm volatile("wfi");
    }
}
