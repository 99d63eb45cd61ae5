"""Heap and stack as linker scripts set them aside, in the ways that are in use, by the real linker."""

from __future__ import annotations

import subprocess

import pytest
from ram_and_start import build_of
from tools import required_tool

from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.inspection.ram.reserves import inverted_heaps, reserves_of, spans_of_sections, stated_stack
from gemel.spans import Span

RAM = 0x2000_0000
SCRIPT = """
MEMORY { FLASH (rx) : ORIGIN = 0x08000000, LENGTH = 64K   RAM (rwx) : ORIGIN = 0x20000000, LENGTH = 16K }
%(before)s
SECTIONS
{
  .text : { *(.text*) } > FLASH
  .bss (NOLOAD) : { *(.bss*) . = ALIGN(8); end = .; } > RAM
  %(inside)s
  /DISCARD/ : { *(.ARM.*) *(.comment) }
}
%(behind)s
"""
SOURCE = "int counts[64]; void start(void) { counts[0]++; for (;;) { } }"
TOP, DATA_END = RAM + 0x4000, RAM + 0x100
STYLES = {
    "sections that take memory": (
        {
            "inside": ".heap (NOLOAD) : { . += 0x400; } > RAM\n"
            ".stack 0x20003C00 (NOLOAD) : { . += 0x400; } > RAM",
        },
        {"heap": Span(DATA_END, 0x400), "stack": Span(TOP - 0x400, 0x400)},
        None,
    ),
    "sections that only state a size": (
        {
            "inside": ".heap (COPY) : { __HeapBase = .; . += 0x400; __HeapLimit = .; } > RAM\n"
            ".stack_dummy (COPY) : { . += 0x200; } > RAM",
            "behind": "__StackTop = 0x20004000; __StackLimit = __StackTop - SIZEOF(.stack_dummy);",
        },
        {"heap": Span(DATA_END, 0x400), "stack": Span(TOP - 0x200, 0x200)},
        0x200,
    ),
    "sizes and the top": (
        {
            "before": "_estack = 0x20004000; _Min_Stack_Size = 0x300; _Min_Heap_Size = 0x80;",
            "inside": "._user_heap_stack (NOLOAD) : { . += _Min_Heap_Size + _Min_Stack_Size; } > RAM",
        },
        {"heap": Span(DATA_END, 0x80), "stack": Span(TOP - 0x300, 0x300)},
        0x300,
    ),
    "symbols at both ends": (
        {
            "behind": "__stack_bottom = 0x20003000; __stack_top = 0x20004000;\n"
            "__heap_start__ = end; __heap_end__ = __stack_bottom;",
        },
        {"heap": Span.from_bounds(DATA_END, RAM + 0x3000), "stack": Span(RAM + 0x3000, 0x1000)},
        None,
    ),
    "the upper end named first": (
        {"behind": "_stack_start = 0x20004000; _stack_end = 0x20003800;"},
        {"stack": Span(TOP - 0x800, 0x800)},
        None,
    ),
    "a limit that is the heap's, beside the bottom": (
        {
            "inside": ".stack_dummy (NOLOAD) : { KEEP(*(.stack*)) } > RAM",
            "behind": "__StackLimit = 0x20003000; __StackTop = 0x20004000;\n"
            "__StackBottom = __StackTop - 0x200;",
        },
        {"stack": Span(TOP - 0x200, 0x200)},
        None,
    ),
    "a stack of a name of its own": (
        {"inside": ".pstack 0x20003C00 (NOLOAD) : { . += 0x400; } > RAM"},
        {"stack": Span(TOP - 0x400, 0x400)},
        None,
    ),
    "no heap and no stack": ({"behind": "_Min_Heap_Size = 0;"}, {}, None),
}


def _linked(folder, pieces):
    (folder / "a.c").write_text(SOURCE)
    (folder / "a.ld").write_text(SCRIPT % {"before": "", "inside": "", "behind": "", **pieces})
    subprocess.run(
        [
            required_tool("arm-none-eabi-gcc"),
            *("-mthumb", "-march=armv7-m", "-Os", "-ffreestanding", "-nostdlib", "-Wl,-e,start"),
            *("-Wl,--no-warn-rwx-segments", "-T", "a.ld", "a.c", "-o", "a.elf"),
        ],
        cwd=folder,
        check=True,
        capture_output=True,
    )
    data = (folder / "a.elf").read_bytes()
    return read_build(BytesSource(data, "a.elf"), name="station", file="a.elf")


@pytest.mark.parametrize("style", STYLES)
def test_each_style_is_recognised(tmp_path, style) -> None:
    """What the script sets aside by sections, ends or sizes is told, each place once (common practice)."""
    pieces, expected, stated = STYLES[style]
    build = _linked(tmp_path, pieces)
    found = reserves_of(build)
    assert {reserve.kind: reserve.span for reserve in found} == expected
    assert len(found) == len(expected)
    told = stated_stack(build)
    assert (told.size if told else None) == stated


def test_a_section_for_both_is_neither(tmp_path) -> None:
    """A section that reserves heap and stack together is known as such and placed as none of them."""
    build = _linked(tmp_path, STYLES["sizes and the top"][0])
    assert spans_of_sections(build) == [Span(DATA_END, 0x380)]


def test_a_heap_that_ends_before_it_starts(tmp_path) -> None:
    """The two symbols of such a heap are told with their values, and nothing is set aside."""
    build = _linked(tmp_path, {"behind": "__HeapBase = 0x20002000; __HeapLimit = 0x20001000;"})
    assert list(inverted_heaps(build)) == [("__HeapBase", RAM + 0x2000, "__HeapLimit", RAM + 0x1000)]
    assert reserves_of(build) == ()


def test_words_name_what_tells() -> None:
    """The sound station's heap and stack are told by the symbols in its sections that take no memory."""
    assert [reserve.words for reserve in reserves_of(build_of("station", "station"))] == [
        "heap, symbols __HeapBase and __HeapLimit",
        "stack, symbols __StackLimit and __StackTop",
    ]


def test_other_names_are_no_stack(tmp_path) -> None:
    """Notes, code and constants about stacks, and metadata of the compiler, set nothing aside."""
    inside = (
        ".text.stack_check : { . += 16; } > FLASH\n.rodata.stack : { . += 16; } > FLASH\n"
        ".stack_sizes 0x10 (INFO) : { . += 16; }\n.haystack (NOLOAD) : { . += 16; } > RAM"
    )
    build = _linked(tmp_path, {"inside": inside})
    assert reserves_of(build) == ()
    assert stated_stack(build) is None
    assert spans_of_sections(build) == []
