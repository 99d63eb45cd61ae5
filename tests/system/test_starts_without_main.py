"""What start-up code does where no symbol ``main`` says where it ends: data, constructors, stack; compiled here."""

from __future__ import annotations

import pytest
from compiled_pairs import compiled, layout_for, pair, said_by
from small_device import findings

VALUES = "volatile uint32_t scale[8] = { 1000, 1003, 1007, 1012, 1018, 1025, 1033, 1042 };"
OWN_NAME = (("int main(void)", "void sample(void)"), ("main();", "sample();"))
FROM_DATA = ("{ bss_start = .;", "{ bss_start = ADDR(.data);")


@pytest.mark.parametrize(("compiler", "family", "level"), [("gcc", "v6", "-Os"), ("clang", "v8", "-O2")])
@pytest.mark.parametrize("has_main", [True, False])
@pytest.mark.parametrize(
    ("main", "script", "cleared"),
    [("", (FROM_DATA,), 1), ("", (), 0), ("scale[0] = 0; level = 0; turns = 0;", (), 0)],
    ids=["over data", "sound", "variables set to 0"],
)
def test_a_block_that_begins_before_cleared_data(
    main: str,
    script: tuple[tuple[str, str], ...],
    cleared: int,
    has_main: bool,
    compiler: str,
    family: str,
    level: str,
) -> None:
    """It wipes out what was copied just before; a few variables that the program sets to zero are none."""
    edits = (
        ("/*BEFORE*/", VALUES),
        ("/*MAIN*/", f"mark = scale[1]; {main}"),
        *script,
        *(() if has_main else OWN_NAME),
    )
    builds = pair(
        station=compiled("station", compiler, family, level),
        sampler=compiled("sampler", compiler, family, level, edits),
    )
    assert len(findings(said_by("start-clears-own-ram", layout_for(family), builds))) == cleared


CONSTRUCTORS = "".join(
    f"__attribute__((constructor)) static void prepare_{at}(void) {{ turns += {at}; mark ^= turns; }}\n"
    for at in (3, 5)
)
ARRAY = (
    "  .ARM.exidx",
    "  .init_array : { array_start = .; KEEP(*(.init_array*)) array_end = END; } > code\n  .ARM.exidx",
)
CALLS = (
    "extern void (*const array_start[])(void), (*const array_end[])(void);\n"
    "for (void (*const *at)(void) = array_start; at < array_end; at++) (*at)();"
)


@pytest.mark.parametrize(("compiler", "family", "level"), [("gcc", "v6", "-Os"), ("clang", "v8", "-O2")])
@pytest.mark.parametrize("has_main", [True, False])
@pytest.mark.parametrize(("end", "left"), [(".", 0), ("array_start + 4", 1), ("array_start", 1)])
def test_constructors_after_the_end_of_a_loop(
    end: str, left: int, has_main: bool, compiler: str, family: str, level: str
) -> None:
    """A loop that ends before the last constructor leaves it out, whatever the program is called."""
    calls = ("main();", CALLS + ("main();" if has_main else "sample();"))
    name = () if has_main else OWN_NAME[:1]
    edits = (("/*BEFORE*/", CONSTRUCTORS), (ARRAY[0], ARRAY[1].replace("END", end)), calls, *name)
    builds = pair(
        station=compiled("station", compiler, family, level),
        sampler=compiled("sampler", compiler, family, level, edits),
    )
    assert len(findings(said_by("constructors-run", layout_for(family), builds))) == left


@pytest.mark.parametrize(
    "how", ["mov sp, %0", "msr msp, %0", "push {%0}\\n ldr %0, [sp]\\n add sp, #4\\n mov sp, %0"]
)
@pytest.mark.parametrize(
    ("core", "tops", "wrong"),
    [
        ("sampler", (0x2000_1F00,), 1),
        ("sampler", (0x2000_3800,), 0),
        ("station", (0x2000_3000, 0x2000_1800), 0),
        ("station", (0x2000_3000,), 1),
    ],
)
def test_a_stack_pointer_that_code_sets(core: str, tops: tuple[int, ...], wrong: int, how: str) -> None:
    """By any instruction, to RAM of another core; the primary may use that before it releases the other one."""
    code = "".join(f'__asm__ volatile("{how}" : : "r"({top:#x}u) : "memory");' for top in tops)
    first = "const volatile uint32_t *from = data_load;"
    sides = {each: ((first, code + first),) if each == core else () for each in ("station", "sampler")}
    builds = pair(**{each: compiled(each, "gcc", "v7", "-Os", edits) for each, edits in sides.items()})
    assert len(findings(said_by("stack-pointer-in-own-ram", layout_for("v7"), builds))) == wrong
