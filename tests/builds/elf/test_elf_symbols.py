"""Names to addresses and addresses to functions."""

from __future__ import annotations

from random import Random

import pytest
from elf_writer import ABSOLUTE, UNDEFINED, SegmentSpec, SymbolSpec, elf
from reading_builds import CODE, FLASH, RAM, CountingSource, read, read_elf
from seconds import within

from gemel.builds.elf import symbol_entries
from gemel.builds.elf import symbols as elf_symbols
from gemel.builds.elf.symbols import SymbolTable
from gemel.builds.reader import read_build
from gemel.errors import BuildError

DATA = SegmentSpec(FLASH + 64, bytes(16), run_address=RAM, flags="rw")
WIDE_CODE = SegmentSpec(FLASH, bytes(0x1000))


def _table(*symbols: SymbolSpec, segments: tuple[SegmentSpec, ...] = (CODE, DATA), **options) -> SymbolTable:
    table = read_elf(*segments, symbols=symbols, **options).symbols
    assert table is not None
    return table


def test_fields_of_a_symbol() -> None:
    """A symbol carries its numbers as the file has them; a function's address lacks the Thumb bit."""
    table = _table(
        SymbolSpec("main", FLASH + 9, 12),
        SymbolSpec("frames", RAM, 16, "object", "weak"),
        SymbolSpec("version", 0x0102_0301, kind="notype", section=ABSOLUTE),
        SymbolSpec("elsewhere", 0, kind="notype", section=UNDEFINED),
    )
    main, frames, version, elsewhere = (
        table.named(name)[0] for name in ("main", "frames", "version", "elsewhere")
    )
    assert (main.value, main.address, main.size, main.kind, main.binding) == (
        FLASH + 9,
        FLASH + 8,
        12,
        "function",
        "global",
    )
    assert main.section_index == 1
    assert (frames.kind, frames.binding, frames.address, frames.section_index) == ("object", "weak", RAM, 2)
    assert frames.span.size == 16
    assert (version.absolute, version.defined, version.address) == (True, True, 0x0102_0301)
    assert (elsewhere.absolute, elsewhere.defined) == (False, False)


def test_all_in_order_of_the_file() -> None:
    """Every symbol but the empty first one is listed, local ones first as the file has them."""
    table = _table(SymbolSpec("b", FLASH), SymbolSpec("a", FLASH, binding="local"), SymbolSpec("c", FLASH))
    assert [symbol.name for symbol in table.all()] == ["a", "b", "c"]
    assert len(table) == 4


def test_names_that_share_tails() -> None:
    """A name that is the tail of another is found only where a symbol uses it so (gABI, "String Table")."""
    strings = b"\0frame_start\0"
    data = bytearray(
        elf(
            [CODE],
            symbols=[SymbolSpec("x", 1, kind="object"), SymbolSpec("y", 2, kind="object")],
            string_table=strings,
        )
    )
    table = read(bytes(data)).symbols
    at = data.index((3).to_bytes(4, "little") + (2).to_bytes(4, "little"))  # the entry of y
    data[at : at + 4] = (strings.index(b"start")).to_bytes(4, "little")
    table = read(bytes(data)).symbols
    assert [symbol.value for symbol in table.named("frame_start")] == [1]
    assert [symbol.value for symbol in table.named("start")] == [2]
    assert table.named("tart") == table.named("frame") == table.named("") == ()


def test_nothing_is_read_before_the_first_question() -> None:
    """The table and its strings are read once, at the first question."""
    source = CountingSource(elf([CODE], symbols=[SymbolSpec("main", FLASH + 1, 8)]))
    table = read_build(source, name="sampler", file="sampler.elf").symbols
    assert table is not None
    before = len(source.reads)
    assert table.named("main")
    assert table.function_at(FLASH)
    assert list(table.all())
    assert len(source.reads) == before + 2


UNIQUE = {
    "global before local": ([("x", 4, "local"), ("x", 8, "global")], 8),
    "global before weak": ([("x", 4, "weak"), ("x", 8, "global")], 8),
    "weak before local": ([("x", 4, "local"), ("x", 8, "weak")], 8),
    "local alone": ([("x", 4, "local"), ("y", 8, "global")], 4),
    "same value twice": ([("x", 4, "local"), ("x", 4, "local")], 4),
}


@pytest.mark.parametrize("name", UNIQUE)
def test_the_one_definition(name: str) -> None:
    """The one definition that a linker would take is found."""
    symbols, expected = UNIQUE[name]
    table = _table(*(SymbolSpec(n, FLASH + v, kind="object", binding=b) for n, v, b in symbols))
    assert table.one("x").value == FLASH + expected


def test_a_value_keeps_the_thumb_bit() -> None:
    """The value of a function is what its address reads as in code."""
    assert _table(SymbolSpec("main", FLASH + 9, 12)).one("main").value == FLASH + 9


def test_several_definitions() -> None:
    """Several local definitions are an error that lists each with its address."""
    table = _table(
        SymbolSpec("count", RAM, 4, "object", "local"), SymbolSpec("count", RAM + 4, 4, "object", "local")
    )
    with pytest.raises(BuildError) as caught:
        table.one("count")
    text = str(caught.value)
    assert "count is not unique" in text
    assert "local object at 0x2000_0000, local object at 0x2000_0004" in text


def test_unknown_name_gets_the_nearest() -> None:
    """A name that is not there is an error with the nearest names."""
    table = _table(SymbolSpec("image_length", FLASH, 4, "object"), SymbolSpec("main", FLASH + 1, 4))
    with pytest.raises(BuildError, match="nearest names: image_length"):
        table.one("image_lenght")
    assert table.find("image_lenght") is None


def test_reference_without_definition() -> None:
    """A name that is only referred to is not defined, and the error says so."""
    table = _table(SymbolSpec("hook", 0, binding="weak", section=UNDEFINED))
    assert table.find("hook") is None
    with pytest.raises(BuildError, match="a reference to it without a definition"):
        table.one("hook")


def _name_at(table: SymbolTable, address: int) -> tuple[str, int] | None:
    found = table.function_at(address)
    return (found[0].name, found[1]) if found else None


def test_function_at() -> None:
    """A function is found from its first to its last byte, whatever bit 0 is."""
    table = _table(
        SymbolSpec("reset_handler", FLASH + 0x101, 0x20),
        SymbolSpec("main", FLASH + 0x121, 0x40),
        SymbolSpec("table", FLASH + 0x180, 0x40, "object"),
        segments=(WIDE_CODE,),
    )
    assert _name_at(table, FLASH + 0x100) == ("reset_handler", 0)
    assert _name_at(table, FLASH + 0x101) == ("reset_handler", 0)
    assert _name_at(table, FLASH + 0x11E) == ("reset_handler", 0x1E)
    assert _name_at(table, FLASH + 0x120) == ("main", 0)
    assert _name_at(table, FLASH + 0x15F) == ("main", 0x3E)
    assert _name_at(table, FLASH + 0x160) is None
    assert _name_at(table, FLASH + 0x190) is None
    assert _name_at(table, FLASH) is None
    assert _name_at(table, 0xFFFF_FFFF) is None


def test_function_at_prefers() -> None:
    """Of several names at one place a function goes before a label, global before weak before local."""
    table = _table(
        SymbolSpec("default_handler", FLASH + 0x101, 4),
        SymbolSpec("timer_handler", FLASH + 0x101, 4, binding="weak"),
        SymbolSpec("static_handler", FLASH + 0x101, 4, binding="local"),
        SymbolSpec("text_start", FLASH + 0x100, kind="notype"),
        SymbolSpec("$t", FLASH + 0x100, kind="notype", binding="local"),
        SymbolSpec("startup.c", FLASH + 0x100, kind="file", binding="local"),
        SymbolSpec("", FLASH + 0x100, kind="section", binding="local"),
        segments=(WIDE_CODE,),
    )
    assert _name_at(table, FLASH + 0x102) == ("default_handler", 2)


@pytest.mark.parametrize("size", [0, 2])
@pytest.mark.parametrize(
    ("names", "shown"),
    [
        (("NMI_Handler", "Default_Handler", "SysTick_Handler"), "Default_Handler"),
        (("isr_default", "NMI_Handler"), "isr_default"),
        (("NMI_Handler", "SysTick_Handler"), "NMI_Handler"),
    ],
)
def test_weak_aliases_are_named_by_the_default_handler(size: int, names: tuple[str, ...], shown: str) -> None:
    """Where start-up code makes all handlers weak aliases of a weak default one, that is what they are called."""
    specs = [SymbolSpec(name, FLASH + 0x101, size, binding="weak") for name in names]
    table = _table(SymbolSpec("before", FLASH + 0x81, size), *specs, segments=(WIDE_CODE,))
    assert _name_at(table, FLASH + 0x100) == (shown, 0)


def test_function_inside_another() -> None:
    """Inside nested functions the inner one answers, behind it the outer one."""
    table = _table(
        SymbolSpec("outer", FLASH + 0x101, 0x100),
        SymbolSpec("inner", FLASH + 0x111, 0x10),
        segments=(WIDE_CODE,),
    )
    assert _name_at(table, FLASH + 0x118) == ("inner", 8)
    assert _name_at(table, FLASH + 0x120) == ("outer", 0x20)


def test_label_without_a_size() -> None:
    """Assembler code without sizes is found by the nearest label in the same section of code."""
    table = _table(
        SymbolSpec("reset_handler", FLASH + 0x101),
        SymbolSpec("copy_loop", FLASH + 0x110, kind="notype", binding="local"),
        SymbolSpec("data_label", RAM, kind="notype"),
        SymbolSpec("stack_top", FLASH + 0x118, kind="notype", section=ABSOLUTE),
        segments=(WIDE_CODE, DATA),
    )
    assert _name_at(table, FLASH + 0x10F) == ("reset_handler", 0xE)
    assert _name_at(table, FLASH + 0xFFF) == ("copy_loop", 0xEEE)
    assert _name_at(table, FLASH + 0x1000) is None
    assert _name_at(table, RAM + 2) is None


def test_mapping_symbols() -> None:
    """Mapping symbols come sorted, those with a suffix too, and nothing that only looks like one."""
    table = _table(
        SymbolSpec("$d", FLASH + 32, kind="notype", binding="local"),
        SymbolSpec("$t.7", FLASH, kind="notype", binding="local"),
        SymbolSpec("$a", FLASH + 8, kind="notype", binding="local"),
        SymbolSpec("$tail", FLASH + 4, kind="notype", binding="local"),
        SymbolSpec("$x", FLASH + 4, kind="notype", binding="local"),
    )
    assert [(symbol.name, symbol.value) for symbol in table.mapping()] == [
        ("$t.7", FLASH),
        ("$a", FLASH + 8),
        ("$d", FLASH + 32),
    ]


BAD_TABLES = {
    "no symbols": ({}, {"symbols": []}, "stripped"),
    "wrong entry size": ({".symtab": {"sh_entsize": 24}}, {}, "entries of 24 bytes, not 16"),
    "no entry size": ({".symtab": {"sh_entsize": 0}}, {}, "entries of 0 bytes, not 16"),
    "link past the sections": ({".symtab": {"sh_link": 99}}, {}, "names section 99 for its strings"),
    "link to no strings": ({".symtab": {"sh_link": 1}}, {}, "names section 1 for its strings"),
    "table past the end": ({".symtab": {"sh_offset": 1 << 30}}, {}, "is outside the file"),
    "strings past the end": ({".strtab": {"sh_size": 1 << 30}}, {}, "is outside the file"),
    "offset plus size wraps": (
        {".symtab": {"sh_offset": 0xFFFF_FFF0, "sh_size": 0x20}},
        {},
        "is outside the file",
    ),
    "too many": ({".symtab": {"sh_size": 0xFFFF_FFF0}}, {}, "268,435,455 symbols, more than 262,144"),
}


@pytest.mark.parametrize("name", BAD_TABLES)
def test_bad_table_is_missing_with_its_reason(name: str) -> None:
    """A table that cannot be read leaves the build loadable, without symbols and with the reason."""
    headers, options, words = BAD_TABLES[name]
    options = {"symbols": [SymbolSpec("main", FLASH + 1)], **options}
    build = read_elf(section_headers=headers, **options)
    assert build.segments[0].data == CODE.data
    assert build.symbols is None
    assert words in build.reason_for("symbols")


BAD_SECTIONS = {
    "none": ({"sections": False}, "has no section headers"),
    "wrong size": ({"header": {"e_shentsize": 64}}, "64 bytes each, not 40"),
    "past the end": ({"header": {"e_shoff": 0xFFFF_FFF0}}, "outside the file"),
    "inside the ELF header": ({"header": {"e_shoff": 4}}, "outside the file"),
    "more than the file holds": ({"header": {"e_shnum": 5000}}, "past the end of the file"),
    "far too many": (
        {"header": {"e_shnum": 0}, "section_headers": {"": {"sh_size": 0xFFFF_FFFF}}},
        "4,294,967,295 section headers",
    ),
}


@pytest.mark.parametrize("name", BAD_SECTIONS)
def test_bad_sections_leave_the_build_loadable(name: str) -> None:
    """Section headers that cannot be read cost the symbols, build id and attributes, not the build."""
    options, words = BAD_SECTIONS[name]
    build = read_elf(
        symbols=[SymbolSpec("main", FLASH + 1)], build_id=bytes(20), attributes={6: 17}, **options
    )
    assert build.segments[0].data == CODE.data
    assert build.symbols is build.attributes is build.build_id is None
    assert words in build.reason_for("symbols")
    assert words in build.reason_for("build attributes")


def test_section_count_in_section_0() -> None:
    """A number of sections that stands in section 0 is used (gABI, "e_shnum")."""
    options = {"symbols": [SymbolSpec("main", FLASH + 1)]}
    count = read_elf(**options)
    data = elf([CODE], **options, header={"e_shnum": 0}, section_headers={"": {"sh_size": 5}})
    assert len(read(data).symbols) == len(count.symbols) == 2


def test_strings_without_an_end() -> None:
    """A name that never ends is cut instead of read over and over."""
    symbols = [SymbolSpec("x", FLASH + n, kind="object") for n in range(200)]
    table = _table(*symbols, string_table=b"\0" + b"a" * 1_000_000)
    with within(1):
        assert {len(symbol.name) for symbol in table.all()} == {1024}
        assert table.named("a" * 100) == ()


def test_name_past_the_strings() -> None:
    """A name that lies outside the string table reads as empty."""
    table = _table(SymbolSpec("main", FLASH + 1), string_table=b"")
    assert [symbol.name for symbol in table.all()] == [""]


def test_names_that_are_not_text() -> None:
    """Bytes that are not UTF-8 in a name are replaced, not fatal."""
    table = _table(SymbolSpec("x", FLASH, kind="object"), string_table=b"\0\xff\xfe\0")
    assert [symbol.name for symbol in table.all()] == ["\ufffd\ufffd"]


def _counting(function, calls: list[str]):
    """``function`` that notes each call of it."""

    def counted(*arguments):
        calls.append(function.__name__)
        return function(*arguments)

    return counted


def test_large_table_is_quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """One name among 20,000, and one address, is found by decoding a few."""
    symbols = [SymbolSpec(f"function_number_{n}", FLASH + 2 * n + 1, 2) for n in range(20_000)]
    table = read(elf([SegmentSpec(FLASH, bytes(40_000))], symbols=symbols)).symbols
    assert table is not None
    decoded: list[str] = []
    for module, name in ((elf_symbols, "symbol_of"), (symbol_entries, "name_at")):
        monkeypatch.setattr(module, name, _counting(getattr(module, name), decoded))
    assert table.named("function_number_12345")[0].address == FLASH + 24_690
    assert 1 <= len(decoded) <= 4
    decoded.clear()
    assert _name_at(table, FLASH + 24_690) == ("function_number_12345", 0)
    assert 1 <= len(decoded) <= 4


def test_several_names_in_one_pass() -> None:
    """``among`` gives for each name what ``find`` gives, and leaves out what ``find`` refuses or has not."""
    symbols = [
        SymbolSpec("level", 0x2000_0000, kind="object", binding="local", section=0xFFF1),
        SymbolSpec("level", 0x2000_0010, kind="object", section=0xFFF1),
        SymbolSpec("water_level", 0x2000_0020, kind="object", section=0xFFF1),
        SymbolSpec("twice", 1, binding="local", section=0xFFF1),
        SymbolSpec("twice", 2, binding="local", section=0xFFF1),
        SymbolSpec("elsewhere", 0, section=0),
    ]
    table = read(elf([CODE], symbols=symbols), "a.elf").symbols
    assert table is not None
    names = frozenset({"level", "water_level", "twice", "elsewhere", "absent"})
    found = table.among(names)
    assert dict(found) == {name: table.find(name) for name in ("level", "water_level")}
    assert found is table.among(names)
    assert dict(table.among(frozenset())) == {}


@pytest.mark.parametrize("length", [1023, 1024, 1025])
def test_names_around_the_longest(length: int) -> None:
    """A name of the most bytes is whole; of a longer one the rest is left out."""
    strings = b"\0" + b"a" * length + b"\0"
    names = {
        symbol.name for symbol in _table(SymbolSpec("x", FLASH, kind="object"), string_table=strings).all()
    }
    assert names == {"a" * min(length, 1024)}


@pytest.mark.parametrize("near", [1, 3, elf_symbols.NEAR_SYMBOLS])
def test_function_at_needs_no_index(near: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Answers from the symbols just before an address are those of the index of all, until questions are many."""
    monkeypatch.setattr(elf_symbols, "NEAR_SYMBOLS", near)
    random = Random(near)
    for _ in range(40):
        symbols = [
            SymbolSpec(
                random.choice(("", "default_")) + f"f{number}",
                FLASH + random.randrange(0, 0x60, 2) + random.choice((0, 1)),
                random.choice((0, 2, 4, 6, 0x20)),
                random.choice(("function", "function", "function", "notype", "object")),
                random.choice(("global", "weak", "local")),
            )
            for number in range(random.randrange(1, 12))
        ]
        indexed = _table(*symbols, segments=(WIDE_CODE,))
        for address in random.choices(range(FLASH, FLASH + 0x90), k=16):
            with monkeypatch.context() as patch:
                patch.setattr(elf_symbols, "NEAR_QUESTIONS", 0)
                expected = _name_at(indexed, address)
            asked = _table(*symbols, segments=(WIDE_CODE,))
            for _ in range(elf_symbols.NEAR_QUESTIONS + 2 if address % 8 == 0 else 1):
                assert _name_at(asked, address) == expected, (symbols, address)
