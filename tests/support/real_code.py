"""Programs with a C library, compiled, and what their mapping symbols say is code."""

from __future__ import annotations

from collections.abc import Iterable

from built import built
from tools import required_tool

from gemel.builds.build import Build
from gemel.builds.reader import read_build
from gemel.builds.segment import Segment
from gemel.builds.source import BytesSource

PROGRAM = r"""
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
void _exit(int c) { (void)c; for (;;) {} }
int _write(int f, char *b, int n) { (void)f; (void)b; return n; }
int _read(int f, char *b, int n) { (void)f; (void)b; (void)n; return 0; }
int _close(int f) { return f; }
int _lseek(int f, int o, int w) { return f + o + w; }
int _fstat(int f, void *s) { (void)s; return f; }
int _isatty(int f) { return f; }
void _fini(void) {}
void _init(void) {}
int _kill(int p, int s) { return p + s; }
int _getpid(void) { return 1; }
__attribute__((visibility("hidden"))) void *__dso_handle;
char heap[4096];
void *_sbrk(int n) { static int at; at += n; return heap + at - n; }
int main(int c, char **v)
{
    double d;
    sscanf(v[0], "%lf", &d);
    printf("%d %f %s", c, d, v[0]);
    switch (c) {
    case 1: return 5;
    case 2: puts("b"); return 9;
    case 3: abort();
    case 4: return 1;
    case 5: exit(3);
    case 6: return 12;
    }
    return atoi(v[1]);
}
void reset(void) { main(0, 0); _exit(0); }
__attribute__((section(".vectors"), used)) const void *const vectors[2] = {heap, reset};
"""

SCRIPT = """
SECTIONS {
    .text 0x08000000 : { KEEP(*(.vectors)) *(.text*) *(.rodata*) }
    .ARM.exidx : { *(.ARM.exidx*) }
    .data 0x20000000 : { *(.data*) }
    .bss : { *(.bss*) *(COMMON) }
}
"""


def library_program(march: str, *, whole_of: str = "") -> Build:
    """A program with formatted output and input, floating point and jump tables.

    ``whole_of`` names a library (``m``) that is linked whole, so that most of it is called by nobody; what it
    wants of others stays open.
    """
    whole = []
    if whole_of:
        whole = ["-Wl,--whole-archive", f"-l{whole_of}", "-Wl,--no-whole-archive"]
        whole += ["-Wl,--allow-multiple-definition,--unresolved-symbols=ignore-all"]
    options = [f"-mfloat-abi={'softfp' if '+fp' in march else 'soft'}", "-Os", "-nostartfiles", *whole]
    options += ["-Wl,--no-warn-rwx-segments", "-Wl,-e,reset"]
    return compiled(PROGRAM, march, *options)


def compiled(source: str, march: str, *options: str) -> Build:
    """The build that a C source becomes, code and constants from 0x0800_0000."""
    command = [required_tool("arm-none-eabi-gcc"), f"-march={march}", "-mthumb", "-T", "link.ld", "main.c"]
    files = {"main.c": source, "link.ld": SCRIPT}
    data = built(files, [*command, "-o", "main.elf", *options], made="main.elf")
    return read_build(BytesSource(data, "main.elf"), name="main", file="main.elf")


def code_segment(build: Build) -> Segment:
    """The largest segment of a build that holds code."""
    return max((each for each in build.stored if each.executable), key=lambda each: len(each.data))


def cut(code: bytes, found: Iterable[tuple[int, int]]) -> dict[int, int]:
    """The size of each instruction by its offset, of stretches from a first offset up to an end."""
    sizes: dict[int, int] = {}
    for at, end in found:
        while at < end:
            sizes[at] = 4 if code[at + 1] >> 3 in (0b11101, 0b11110, 0b11111) else 2
            at += sizes[at]
    return sizes


def mapped_instructions(build: Build) -> dict[int, int]:
    """The size of each Thumb instruction in the code segment by its offset, told by the mapping symbols."""
    segment = code_segment(build)
    data, start = segment.data, segment.run_address
    marks = sorted(build.symbols.mapping() if build.symbols else (), key=lambda mark: mark.value)
    ends = [mark.value for mark in marks[1:]] + [start + len(data)]
    stretches = [
        (mark.value - start, min(end - start, len(data)) - 1)
        for mark, end in zip(marks, ends, strict=True)
        if mark.name.startswith("$t") and mark.value >= start
    ]
    return cut(data, stretches)
