"""Sections, functions and objects of a pair of builds with known edits, compiled by GCC and clang."""

from __future__ import annotations

import random
import re
import subprocess

import pytest
from random_programs import program, with_edits
from tools import required_tool

import gemel
from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.comparing.as_text import section_words
from gemel.comparing.changed_builds import same_but_for_addresses, section_changes, symbol_changes
from gemel.comparing.changes import SectionChange
from gemel.comparing.side import PlaceNames, SymbolSide

SOURCE = """
typedef unsigned int u32;
struct link { u32 sequence; u32 level; };
volatile u32 port, seconds;
const u32 table[4] = { 1, 2, 3, 4 };
const char name[] = "tide";
static u32 seen(u32 x) __attribute__((noinline));
static u32 seen(u32 x) { port = x; return x + seconds; }
__attribute__((noinline)) void early(void) { port = 1; }
__attribute__((noinline)) void removed(void) { port = 77; }
__attribute__((noinline)) u32 callee(u32 x) { return seen(x) * 3; }
__attribute__((noinline)) u32 caller(u32 x) { early(); return callee(x) + callee(x + 1); }
void (*const handlers[2])(void) = { early, removed };
u32 (*const pointer)(u32) = callee;
__attribute__((noinline)) u32 constant(void) { return 1234; }
const char *where(void) { return name; }
void start(void) { early(); removed(); port = caller(table[port & 3]) + constant() + pointer(2);
  port = where()[0]; handlers[port & 1](); }
"""
EDITS = {
    "port = 1; }": "port = 1; port = 2; port = 3; }",
    "__attribute__((noinline)) void removed(void) { port = 77; }\n": "",
    "{ early, removed }": "{ early, added }",
    "early(); removed(); port": "early(); added(); port",
    "u32 callee(u32 x) {": "void added(void) { port = 4; port = 5; port = 6; port = 7; }\n"
    "__attribute__((noinline)) u32 callee(u32 x) {",
    "return 1234;": "return 1235;",
    "{ 1, 2, 3, 4 }": "{ 1, 2, 3, 5 }",
}
"""Text of the source, and what it becomes in the new build."""

SCRIPT = """
SECTIONS {
  .text 0x10000000 : { KEEP(*(.vectors)) *(.text*) }
  .rodata : { *(.rodata*) }
  .bss 0x20000000 (NOLOAD) : { *(.bss*) *(COMMON) }
  /DISCARD/ : { *(.ARM.exidx*) *(.comment) }
}
ENTRY(start)
"""
COMPILERS = {
    "gcc-v8": ["arm-none-eabi-gcc", "-march=armv8-m.main"],
    "gcc-v6": ["arm-none-eabi-gcc", "-march=armv6-m"],
    "clang-v7": ["clang", "--target=thumbv7em-none-eabi", "-fuse-ld=lld"],
    "gcc-v8-halves": ["arm-none-eabi-gcc", "-march=armv8-m.main", "-mslow-flash-data", "-mpure-code"],
}


def edited() -> str:
    text = SOURCE
    for old, new in EDITS.items():
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    return text


def compiled(folder, name: str, text: str, compiler: list[str]):
    """The build of one source text."""
    for tool in compiler[:1]:
        required_tool(tool)
    source, script, out = folder / f"{name}.c", folder / "link.ld", folder / f"{name}.elf"
    source.write_text(text, encoding="utf-8")
    script.write_text(SCRIPT, encoding="utf-8")
    options = [
        "-mthumb",
        *(() if any(each.startswith("-O") for each in compiler) else ("-O1",)),
        "-g",
        "-ffreestanding",
        "-nostdlib",
        "-ffunction-sections",
        *(() if "-fno-data-sections" in compiler else ("-fdata-sections",)),
    ]
    done = subprocess.run(
        [*compiler, *options, "-fno-inline", f"-Wl,-T,{script}", "-o", out, source],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return gemel.load_builds(None, {"station": out})["station"]


@pytest.fixture(scope="module", params=COMPILERS)
def pair(request, tmp_path_factory):
    """The old and the new build, by one compiler."""
    folder = tmp_path_factory.mktemp("pair")
    compiler = COMPILERS[request.param]
    return compiled(folder, "old", SOURCE, compiler), compiled(folder, "new", edited(), compiler)


def test_known_edits_are_found_and_nothing_else(pair):
    """Each edit is one change; what calls or points to moved code did not change."""
    changes = symbol_changes(*pair)
    found = {(each.name, each.change) for each in changes.changed}
    assert found == {
        ("early", "grown"),
        ("removed", "removed"),
        ("added", "added"),
        ("handlers", "changed"),
        ("start", "changed"),
        ("constant", "changed"),
        ("table", "changed"),
    }
    assert sum(group.count for group in changes.moved) + changes.unchanged >= 5


def test_sizes_are_those_of_nm(pair, tmp_path):
    """Sizes before and after are those that GNU nm prints."""
    changes = {each.name: each for each in symbol_changes(*pair).changed}
    for build, size_of in ((pair[0], lambda each: each.old_size), (pair[1], lambda each: each.new_size)):
        file = tmp_path / "build.elf"
        file.write_bytes(build.source.read(0, build.source.size))
        printed = subprocess.run(
            [required_tool("arm-none-eabi-nm"), "-S", file], capture_output=True, text=True, check=True
        ).stdout
        sizes = {
            name: int(size, 16) for size, name in re.findall(r"^\S+ (\S+) \w (\S+)$", printed, re.MULTILINE)
        }
        for name, each in changes.items():
            assert size_of(each) == sizes.get(name, 0)


def test_sections_are_those_that_grew(pair):
    """The text section has another size; the data sections have not."""
    changes = {each.name: each.change for each in section_changes(*pair)}
    assert changes[".text"] == "changed"
    assert changes.get(".rodata", "moved") in ("moved", "changed")
    assert ".bss" not in changes


@pytest.mark.parametrize("compiler", ["gcc-v8", "clang-v7"])
def test_sections_that_only_one_build_has(compiler, tmp_path):
    """A section of its own that an edit brings is added, with its size; the other way round it is removed."""
    text = SOURCE.replace(
        "volatile u32 port", '__attribute__((section(".journal"))) u32 journal[3] = { 1 };\nvolatile u32 port'
    )
    old, new = (
        compiled(tmp_path, name, each, COMPILERS[compiler]) for name, each in (("old", SOURCE), ("new", text))
    )
    assert SectionChange(".journal", "added", 0, 12) in list(section_changes(old, new))
    assert SectionChange(".journal", "removed", 12, 0) in list(section_changes(new, old))
    assert section_words(SectionChange(".journal", "added", 0, 12)) == "added"


def test_an_odd_last_byte_counts(pair):
    """Of an object with an odd number of bytes the last one is no part of an address: another one is a change."""
    names = PlaceNames(pair[0]).at
    sides = [SymbolSide(data, 0x1000_0000, names) for data in (b"tide\0", b"tidf\0", b"tide\1")]
    assert same_but_for_addresses(sides[0], sides[0])
    assert not same_but_for_addresses(sides[0], sides[1])
    assert not same_but_for_addresses(sides[0], sides[2])


def test_other_bytes_of_a_section_are_reported(pair):
    """A text that no symbol names changes at its place: its section has other bytes, and no symbol changed."""
    old = pair[1]
    data = bytearray(old.source.read(0, old.source.size))
    section = next(each for each in old.sections.all() if each.name == ".text")
    data[section.offset + section.span.size - 1] ^= 0x20
    new = read_build(BytesSource(bytes(data), "new.elf"), name=old.name, file="new.elf")
    assert list(section_changes(old, new)) == [
        SectionChange(".text", "changed", section.span.size, section.span.size)
    ]
    assert section_words(SectionChange(".text", "changed", 4, 4)) == "has other bytes"


def test_a_build_is_what_it_is(pair):
    """A build compared with itself has no change and nothing that moved."""
    changes = symbol_changes(pair[0], pair[0])
    assert (changes.changed, changes.moved) == ((), ())
    assert changes.unchanged > 8
    assert list(section_changes(pair[0], pair[0])) == []


LITERALS = """
typedef unsigned u32; volatile u32 port; u32 count[8];
{more}
__attribute__((noinline)) void out(const char *s) {{ while (*s) port = *s++; }}
__attribute__((noinline)) void other(u32 x) {{ port = x; }}
{functions}
void start(void) {{ {calls} }}
"""
FUNCTION = """__attribute__((noinline)) void f{n}(u32 x) {{ static u32 seen; seen++; out("message number {n}");
  switch (x) {{ case 0: out("zero"); break; case 1: count[x]++; break; case 2: out("two"); break;
    case 3: other({n}); break; case 4: port = 7; break; default: break; }} port = seen; }}"""
MORE = """u32 before[5] = { 1, 2, 3, 4, 5 };
void out(const char *);
__attribute__((noinline, used)) void added(void) { static u32 seen; seen++; out("new"); port = seen; }"""
LITERAL_BUILDS = {
    "gcc-v8": ["arm-none-eabi-gcc", "-march=armv8-m.main", "-Os"],
    "gcc-v6": ["arm-none-eabi-gcc", "-march=armv6-m", "-O2"],
    "clang-v7": ["clang", "--target=thumbv7em-none-eabi", "-fuse-ld=lld", "-Os"],
    "clang-v6": ["clang", "--target=thumbv6m-none-eabi", "-fuse-ld=lld", "-Os"],
}


@pytest.mark.parametrize("name", LITERAL_BUILDS)
def test_what_only_moved_is_not_changed(name, tmp_path):
    """Functions with texts, tables of a switch and local variables are counted where others were added before them."""
    numbers = range(40)
    functions = "\n".join(FUNCTION.format(n=n) for n in numbers)
    calls = " ".join(f"f{n}({n});" for n in numbers)
    old, new = (
        compiled(
            tmp_path,
            f"{name}-{bool(more)}",
            LITERALS.format(more=more, functions=functions, calls=calls),
            LITERAL_BUILDS[name],
        )
        for more in ("", MORE)
    )
    changes = symbol_changes(old, new)
    assert {each.change for each in changes.changed} == {"added"}
    assert sorted(re.sub(r"^added\.|\.\d+$", "", each.name) for each in changes.changed) == [
        "added",
        "before",
        "seen",
    ]
    assert sum(group.count for group in changes.moved) >= len(numbers)
    back = symbol_changes(new, old)
    assert {each.change for each in back.changed} == {"removed"}


def test_another_text_is_a_change(tmp_path):
    """A function that moved and prints another text of the same length is changed, its neighbour is not."""
    functions = "\n".join(FUNCTION.format(n=n) for n in (1, 2))
    texts = [
        LITERALS.format(more=more, functions=functions.replace("number 1", word), calls="f1(1); f2(2);")
        for more, word in (("", "number 1"), (MORE, "member 1"))
    ]
    pair = [compiled(tmp_path, f"text-{at}", text, LITERAL_BUILDS["gcc-v8"]) for at, text in enumerate(texts)]
    assert [each.name for each in symbol_changes(*pair).changed if each.change == "changed"] == ["f1"]


RANDOM_BUILDS = {
    "gcc-v8": ["arm-none-eabi-gcc", "-march=armv8-m.main", "-O2", "-DONLY=noipa"],
    "gcc-v6": ["arm-none-eabi-gcc", "-march=armv6-m", "-Os", "-DONLY=noipa"],
    "gcc-v8-anchors": [
        "arm-none-eabi-gcc",
        "-march=armv8-m.main",
        "-O2",
        "-DONLY=noipa",
        "-fno-data-sections",
    ],
    "gcc-v6-anchors": ["arm-none-eabi-gcc", "-march=armv6-m", "-Os", "-DONLY=noipa", "-fno-data-sections"],
    "gcc-v7-anchors": [
        *("arm-none-eabi-gcc", "-march=armv7-m", "-O2", "-DONLY=noipa", "-fno-data-sections"),
        *("-mslow-flash-data", "-mpure-code"),
    ],
    "clang-v7": ["clang", "--target=thumbv7em-none-eabi", "-fuse-ld=lld", "-O2", "-DONLY=noinline"],
    "clang-v6": ["clang", "--target=thumbv6m-none-eabi", "-fuse-ld=lld", "-Os", "-DONLY=noinline"],
}


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("name", RANDOM_BUILDS)
def test_random_edits_are_what_is_found(name, seed, tmp_path):
    """Edits of a random program are the changes found, by kind, and neither a call, a pointer nor a distance is one.

    Where GCC counts distances from section anchors, it takes longer instructions for longer ones.
    """
    choose = random.Random(f"{name} {seed}")
    before = program(choose)
    after, expected = with_edits(before, choose)
    pair = [
        compiled(tmp_path, each, text.text(), RANDOM_BUILDS[name])
        for each, text in (("old", before), ("new", after))
    ]
    changes = symbol_changes(*pair)
    found = {each.name: each.change for each in changes.changed if each.name != "start"}
    assert found.keys() >= expected.keys()
    longer_distances = {"grown", "shrunk"} if name.endswith("anchors") else set()
    for symbol, kind in found.items():
        assert kind in expected.get(symbol, longer_distances), symbol
