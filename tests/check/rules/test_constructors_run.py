"""Tests of the rule ``constructors-run``, with start-up code compiled here by GCC and clang."""

from __future__ import annotations

import pytest
from compiled_pairs import RELEASE, compiled, layout_for, pair, said_by
from small_device import findings
from verdict_builds import AT_ZERO, of

from gemel.checking.rules.constructors_run import MAX_ENTRIES
from gemel.checking.runner import RuleResult

RULE = "constructors-run"


def _started(family: str, sampler: str) -> RuleResult:
    return of(RULE, family, "station-startup", sampler, changes=AT_ZERO)


BREAKS = {
    "nothing calls them": lambda: _started("v6", "sampler-startup-constructors-never"),
    "the labels are after the array": lambda: _started("v7", "sampler-startup-constructors-outside"),
}
KEEPS = {
    "a loop before main": lambda: _started("v8", "sampler-startup-constructors"),
    "a loop before main, by clang": lambda: _started("v7", "sampler-startup-constructors"),
}

ARRAY = (
    "  .ARM.exidx :",
    "  .init_array : { init_start = .; KEEP(*(SORT(.init_array.*) .init_array)) init_end = .; } > code\n  .ARM.exidx :",
)
IN_DATA = ("*(.data .data.*)", "*(.data .data.*) . = ALIGN(4); KEEP(*(SORT(.init_array.*) .init_array))")
LABELLED_IN_DATA = (
    IN_DATA[0],
    "*(.data .data.*) . = ALIGN(4); init_start = .; KEEP(*(SORT(.init_array.*) .init_array)) init_end = .;",
)
STANDARD_LABELS = (
    ARRAY[0],
    ARRAY[1].replace("init_start", "__init_array_start").replace("init_end", "__init_array_end"),
)
EXTERN = "typedef void (*each)(void); extern const each init_start[], init_end[];"
STANDARD = EXTERN.replace("init_start", "__init_array_start").replace("init_end", "__init_array_end")
OBJECTS = (
    "volatile uint32_t rows[4], tides[4];"
    "__attribute__((noinline)) static void _GLOBAL__sub_I_rows(void) { rows[1] = level; }"
    "__attribute__((noinline)) static void _GLOBAL__sub_I_tides(void) { tides[1] = level + 1; }"
    '__attribute__((used, section(".init_array"))) static void (*const of_rows)(void) = _GLOBAL__sub_I_rows;'
    '__attribute__((used, section(".init_array"))) static void (*const of_tides)(void) = _GLOBAL__sub_I_tides;'
)
MARKED = (
    "volatile uint32_t rows[4];"
    "__attribute__((constructor)) static void set_up(void) { rows[1] = level; }"
    "__attribute__((constructor(150))) static void set_up_first(void) { rows[2] = level; }"
)
LOOP = "for (const each *at = init_start; at < init_end; at++) (*at)();"
BEFORE_MAIN = "    main();\n"
SOUND = {
    "a loop in the reset handler": (EXTERN + MARKED, LOOP, "", ARRAY),
    "a loop that counts": (
        EXTERN + OBJECTS,
        "uint32_t n = (uint32_t)(init_end - init_start); for (uint32_t k = 0; k < n; k++) init_start[k]();",
        "",
        ARRAY,
    ),
    "a loop from the end": (
        EXTERN + OBJECTS,
        "for (const each *at = init_end; at-- != init_start;) (*at)();",
        "",
        ARRAY,
    ),
    "a loop without a test at its start": (
        EXTERN + OBJECTS,
        "const each *at = init_start; do (*at)(); while (++at != init_end);",
        "",
        ARRAY,
    ),
    "another function": (
        f"{EXTERN}{MARKED} __attribute__((noinline)) static void all(void) {{ {LOOP} }}",
        "all();",
        "",
        ARRAY,
    ),
    "main": (
        f"{EXTERN}{MARKED} __attribute__((noinline)) static void all(void) {{ {LOOP} }}",
        "",
        "all();",
        ARRAY,
    ),
    "a task by its address in data": (
        f"{EXTERN}{MARKED} static void task(void) {{ {LOOP} }} void (*volatile tasks[2])(void) = {{ task }};",
        "",
        "tasks[level & 1]();",
        ARRAY,
    ),
    "a table of arrays": (
        f"{EXTERN}{MARKED} static const struct {{ const each *from, *to; }} arrays[] ="
        "{ { init_start, init_end } };"
        "__attribute__((noinline)) static void all(const volatile void *of) { const each *const volatile *two = of;"
        " for (const each *at = two[0], *to = two[1]; at < to; at++) (*at)(); }",
        "",
        "all(arrays);",
        ARRAY,
    ),
    "after a device is ready": (EXTERN + MARKED, f"while (!(IO(0x90) & 1u)) {{ }} {LOOP}", "", ARRAY),
    "where a device says so, first or later": (
        f"{EXTERN}{MARKED} __attribute__((noinline)) static void all(void) {{ {LOOP} }}",
        "if (IO(0x90) & 1u) all();",
        "if (!turns) all();",
        ARRAY,
    ),
    "one that waits for a device": (
        EXTERN + MARKED.replace("rows[2] = level;", "while (!(IO(0x90) & 2u)) { } rows[2] = IO(0x94);"),
        LOOP,
        "",
        ARRAY,
    ),
    "in initialised data": (EXTERN + OBJECTS, LOOP, "", LABELLED_IN_DATA),
    "none that does anything": (
        '__attribute__((constructor, naked)) static void nothing(void) { __asm("bx lr"); }',
        "",
        "",
        ARRAY,
    ),
    "what GCC puts into each program": (
        "volatile uint32_t rows[4]; static void frame_dummy(void) { rows[1] = 1; }"
        '__attribute__((used, section(".init_array"))) static void (*const dummy)(void) = frame_dummy;',
        "",
        "",
        ARRAY,
    ),
    "an array of another purpose": (
        OBJECTS.replace(".init_array", ".rodata.list").replace("_GLOBAL__sub_I_", "on_")
        + "volatile uint32_t which;",
        "",
        "if (which) ((void (*)(void))(&of_rows)[which & 1])();",
        ARRAY,
    ),
    "an own call of one": (OBJECTS, "_GLOBAL__sub_I_rows(); _GLOBAL__sub_I_tides();", "", ARRAY),
}
NEVER = {
    "marked ones": (MARKED, "", "", ARRAY, 2),
    "those of objects": (OBJECTS, "", "", ARRAY, 2),
    "those of objects, in initialised data without labels": (OBJECTS, "", "", IN_DATA, 2),
    "with labels of the standard names": (STANDARD + MARKED, "", "", STANDARD_LABELS, 2),
    "a function with a loop that nothing calls": (
        f"{STANDARD}{MARKED} __attribute__((used)) void old(void) {{ {LOOP.replace('init_', '__init_array_')} }}"
        "__attribute__((used)) void older(void) { old(); }",
        "",
        "",
        STANDARD_LABELS,
        2,
    ),
    "an end before the last": (
        EXTERN + MARKED,
        LOOP.replace("at < init_end", "at < init_end - 1"),
        "",
        ARRAY,
        1,
    ),
    "a start after the first": (
        EXTERN + OBJECTS,
        LOOP.replace("= init_start", "= init_start + 1"),
        "",
        ARRAY,
        1,
    ),
    "both ends alike": (EXTERN + OBJECTS, LOOP.replace("at < init_end", "at < init_start"), "", ARRAY, 2),
    "input sections outside of the labels": (
        EXTERN
        + OBJECTS.replace(
            '".init_array"))) static void (*const of_tides',
            '".init_array.150"))) static void (*const of_tides',
        ),
        LOOP,
        "",
        (
            ARRAY[0],
            ARRAY[1].replace(
                "KEEP(*(SORT(.init_array.*) .init_array)) init_end = .;",
                "KEEP(*(.init_array)) init_end = .; KEEP(*(.init_array.*))",
            ),
        ),
        1,
    ),
}
WITH = (("gcc", "v6", "-Os"), ("gcc", "v8", "-O2"), ("clang", "v7", "-O1"), ("gcc", "v7", "-O0"))


def _said(case: tuple, compiler: str, family: str, level: str):
    before, late, main, script, *_ = case
    edits = (
        ("/*BEFORE*/", before),
        (BEFORE_MAIN, f"    {late}\n{BEFORE_MAIN}"),
        ("/*MAIN*/", f"{RELEASE} {main}"),
        script,
        ("int main(void)", "__attribute__((noinline)) int main(void)"),
    )
    station = compiled("station", compiler, family, level, edits)
    return said_by(
        RULE, layout_for(family), pair(station=station, sampler=compiled("sampler", "gcc", family, "-Os"))
    )


@pytest.mark.parametrize(("compiler", "family", "level"), WITH)
@pytest.mark.parametrize("case", SOUND)
def test_constructors_that_something_calls(case: str, compiler: str, family: str, level: str) -> None:
    """Wherever the loop is, and whatever it is called, nothing is found."""
    assert not findings(_said(SOUND[case], compiler, family, level))


@pytest.mark.parametrize(("compiler", "family", "level"), WITH)
@pytest.mark.parametrize("case", NEVER)
def test_constructors_that_nothing_calls(case: str, compiler: str, family: str, level: str) -> None:
    """One finding names the first, and how many there are."""
    (finding,) = findings(_said(NEVER[case], compiler, family, level))
    count = NEVER[case][-1]
    assert finding.found.startswith(f"{count} ")
    assert len(finding.lines) == count - 1
    assert "_GLOBAL__sub_I_" in finding.found or "set_up" in finding.found


def test_a_build_without_any_is_not_judged() -> None:
    """Neither C without constructors nor a C library's own start has any."""
    assert of(RULE, "v8").status == "does not apply"
    assert of(RULE, "v7", "station-library", "sampler-library").status == "does not apply"


def test_the_first_is_named_with_its_entry() -> None:
    """The finding names the section, the entry and the function."""
    (finding,) = findings(BREAKS["nothing calls them"]())
    assert "section .init_array" in finding.where
    assert finding.found.endswith(": set_up")


def test_no_more_entries_are_read_than_the_limit() -> None:
    """An array of any size is judged by its first entries."""
    many = (
        "volatile uint32_t rows[4]; static void set_up(void) { rows[1] = level; }"
        f'__attribute__((used, section(".init_array"))) static void (*const all[{MAX_ENTRIES + 40}])(void) = '
        f"{{ [0 ... {MAX_ENTRIES + 39}] = set_up }};"
    )
    (finding,) = findings(_said((many, "", "", ARRAY), "gcc", "v7", "-Os"))
    assert finding.found.startswith(f"{MAX_ENTRIES:,} constructors")
