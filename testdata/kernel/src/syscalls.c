/* What newlib asks of a system: memory and a port. */
#include <errno.h>
#include <stddef.h>
#include <sys/stat.h>

#include "board.h"

void *__dso_handle;

extern char heap_start;
extern char heap_end;

void *_sbrk(ptrdiff_t more);
int _write(int file, const char *text, int length);
int _read(int file, char *text, int length);
int _close(int file);
int _lseek(int file, int offset, int whence);
int _fstat(int file, struct stat *status);
int _isatty(int file);
void _exit(int code);
int _kill(int process, int signal);
int _getpid(void);
void _init(void);
void _fini(void);

void *_sbrk(ptrdiff_t more)
{
    static char *next = &heap_start;
    char *start = next;

    if (more > &heap_end - next) {
        errno = ENOMEM;
        return (void *)-1;
    }
    next += more;
    return start;
}

int _write(int file, const char *text, int length)
{
    (void)file;
    for (int i = 0; i < length; i++) {
        put_character(text[i]);
    }
    return length;
}

int _read(int file, char *text, int length)
{
    (void)file;
    (void)text;
    (void)length;
    return 0;
}

int _close(int file)
{
    (void)file;
    return -1;
}

int _lseek(int file, int offset, int whence)
{
    (void)file;
    (void)offset;
    (void)whence;
    return 0;
}

int _fstat(int file, struct stat *status)
{
    (void)file;
    status->st_mode = S_IFCHR;
    return 0;
}

int _isatty(int file)
{
    (void)file;
    return 1;
}

void _exit(int code)
{
    (void)code;
    for (;;) {
    }
}

int _kill(int process, int signal)
{
    (void)process;
    (void)signal;
    return -1;
}

int _getpid(void)
{
    return 1;
}

/* The start-up code runs the constructors itself. */
void _init(void)
{
}

void _fini(void)
{
}
