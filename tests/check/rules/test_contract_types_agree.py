"""Tests of the rule ``contract-types-agree``."""

from __future__ import annotations

import pytest
from contract_builds import C_TYPES, CPP_TYPES, side
from contract_fixtures import checked, compiled, contract, flat, of_sides, of_sources, types
from gauge_builds import gauge, gauge_builds
from small_device import apply, findings

from gemel.checking.contract.picture import WIDTH
from gemel.structs import replace

RULE = "contract-types-agree"
RING = types("link_ring_t")


def _gauge(sampler: str = "sampler"):
    return apply(RULE, gauge(), handed=gauge_builds(sampler=sampler))


def _enum(underlying: str) -> str:
    """A C++ source with an enumeration in a structure."""
    return (
        f"enum class Level : {underlying} {{ low, high }}; struct Mark {{ Level level; int metres; }};"
        '__attribute__((section(".link"))) Mark mark;'
    )


def _log(lines: str) -> str:
    """A C source with a structure that ends in an array."""
    return f'struct log {{ int count; {lines}; }}; __attribute__((section(".link"))) struct log shared_log;'


BREAKS = {
    "enumerations of another size (the tide gauge)": lambda: _gauge("sampler-wide-enums"),
    "packed on one side only": lambda: of_sides(RULE, types("struct link_sample"), sampler="sampler-packed"),
    "packed deep inside": lambda: of_sides(RULE, RING, sampler="sampler-packed"),
    "enumerations of another size": lambda: of_sides(RULE, RING, sampler="sampler-wide-enums"),
    "wide characters of another size": lambda: of_sides(RULE, RING, sampler="sampler-short-wchar"),
    "another alignment": lambda: of_sides(
        RULE, types("struct link_sample", "struct link_frame"), sampler="sampler-aligned-by-4"
    ),
    "another bit field": lambda: of_sides(RULE, types("struct link_flags"), sampler="sampler-bit-field"),
    "signed on one side only": lambda: of_sides(RULE, types("struct link_frame"), sampler="sampler-signed"),
    "two members swapped": lambda: of_sides(RULE, types("struct link_frame"), sampler="sampler-swapped"),
    "another array bound": lambda: of_sides(RULE, RING, sampler="sampler-depth"),
    "another enumerator": lambda: of_sides(RULE, types("enum link_quality"), sampler="sampler-enumerator"),
    "after a pointer": lambda: of_sides(
        RULE, types("struct link_node", follow=True), sampler="sampler-long-names"
    ),
    "two layouts in one build": lambda: of_sides(
        RULE, types("struct link_sample"), sampler="sampler-two-layouts"
    ),
    "a template with one more member": lambda: of_sides(
        RULE, types("link::Ring<link::Frame, 4>"), "cpp-station", "cpp-sampler-extra"
    ),
    "a name that no build has": lambda: of_sides(RULE, types("struct link_frane")),
    "a name like no other": lambda: of_sides(RULE, types("struct quay")),
    "an enumeration with a sign on one side": lambda: of_sources(
        RULE, types("Mark"), _enum("uint8_t"), _enum("int8_t"), "c++"
    ),
    "an open array of other elements": lambda: of_sources(
        RULE, types("struct log"), _log("int lines[]"), _log("short lines[]")
    ),
    "DWARF 2 against 5": lambda: of_sides(
        RULE, types("struct link_flags"), "station-dwarf2", "sampler-bit-field"
    ),
}
KEEPS = {
    "every type in C": lambda: of_sides(RULE, types(*C_TYPES, follow=True)),
    "every type in C++": lambda: of_sides(RULE, types(*CPP_TYPES, follow=True), "cpp-station", "cpp-sampler"),
    "the tide gauge": _gauge,
    "an enumeration of one type by two names": lambda: of_sources(
        RULE, types("Mark"), _enum("uint8_t"), _enum("unsigned char"), "c++"
    ),
    "an open array and one of no elements": lambda: of_sources(
        RULE, types("struct log"), _log("int lines[]"), _log("int lines[0]")
    ),
    "the same with rows of three": lambda: of_sources(
        RULE, types("struct log"), _log("int lines[][3]"), _log("int lines[0][3]")
    ),
    "a packed type nobody names": lambda: of_sides(
        RULE, types("struct link_flags", "union link_value"), sampler="sampler-packed"
    ),
    "pointers not followed": lambda: of_sides(RULE, types("struct link_node"), sampler="sampler-long-names"),
    "an enumerator nobody shares": lambda: of_sides(
        RULE, types("struct link_flags"), sampler="sampler-enumerator"
    ),
}
STATIONS = (
    *(f"station-dwarf{version}" for version in (2, 3, 4, 5)),
    "station-dwarf64",
    "station-types4",
    "station-types5",
    "station-compressed",
    "station-zdebug",
)


@pytest.mark.parametrize("station", STATIONS)
@pytest.mark.parametrize("sampler", ["sampler", "sampler-dwarf2"])
def test_the_form_of_the_debug_information_makes_no_difference(station: str, sampler: str) -> None:
    """Builds with one layout agree in every version of DWARF, with type units, and compressed."""
    result = of_sides(RULE, types(*C_TYPES, follow=True), station, sampler)
    assert result.status == "holds"
    assert len(result.holds) == len(C_TYPES)


@pytest.mark.parametrize("station", STATIONS)
def test_a_difference_is_found_in_every_form(station: str) -> None:
    """A bit field of another size is found, at the same place, whatever form the debug information has."""
    (finding,) = findings(of_sides(RULE, types("struct link_flags"), station, "sampler-bit-field"))
    assert finding.found.startswith("uint32_t channel at byte 0, bit 1, 6 bits,")
    assert finding.expected.startswith("uint32_t channel at byte 0, bit 1, 5 bits,")


@pytest.mark.parametrize(
    ("station", "reason"),
    [
        ("station-no-debug", "the file has no debug information"),
        ("station-stripped", "the file has no debug information"),
        ("station-debuglink", "the file is stripped, its debug information is in station.debug"),
        ("station-split", "part of it is in other files (.dwo)"),
    ],
)
def test_without_debug_information_it_is_not_checked(station: str, reason: str) -> None:
    """A build that was stripped, split or never had debug information is not checked, with the reason."""
    read = types("struct link_frame")
    result = checked(RULE, read, side("station", station), side("sampler", "sampler"))
    assert result.status == "not checked"
    assert not result.holds
    assert reason in result.not_checked[0].reason


def test_without_a_build_or_with_a_raw_binary_it_is_not_checked() -> None:
    """A missing build and one that is no ELF file are named with what they would have to be."""
    read = types("struct link_frame")
    station = side("station", "station")
    assert checked(RULE, read, station, None).not_checked[0].reason == "needs the ELF file: sampler=FILE"
    result = checked(RULE, read, station, flat("sampler"))
    assert result.status == "not checked"
    assert "needs its ELF file" in result.not_checked[0].reason


def test_a_name_that_no_build_has_is_a_finding_with_the_nearest_names() -> None:
    """A misspelled type is neither taken for one that holds nor passed over."""
    (finding,) = findings(of_sides(RULE, types("struct link_frane")))
    assert finding.next_step is not None
    assert finding.next_step.startswith("name the type as one of these: struct link_frame")


@pytest.mark.parametrize("station", ["station-no-debug", "station-split", "station-stripped"])
def test_a_name_that_a_build_could_have_is_not_checked(station: str) -> None:
    """Where one build does not tell all its types, a name that the other lacks may still be right."""
    result = checked(RULE, types("struct link_frane"), side("station", station), side("sampler", "sampler"))
    assert result.status == "not checked"
    assert {missing.where for missing in result.not_checked} >= {
        "contract link, struct link_frane, build station"
    }


def test_a_name_that_one_build_lacks_is_not_checked() -> None:
    """Compilers leave out what no source uses: one build may not know what the other names."""
    one = _enum("uint8_t")
    result = of_sources(RULE, types("Mark"), one, one.replace("Mark", "Other"), "c++")
    assert result.status == "not checked"
    assert result.not_checked[0].where == "contract link, Mark, build sampler"


_OWN = (
    "enum kind { LOW, HIGH = 6 }; struct Link { uint32_t turn; enum kind kind; };"
    '__attribute__((section(".link"), used)) struct Link link_words;'
)
LIBRARIES = {
    "has the names": "struct Link { char turn; } of_library; enum kind { LOW, HIGH = 7 } kind_of_library;",
    "has other names": "struct Other { char turn; } of_library;",
}


@pytest.mark.parametrize(
    ("compiler", "target"),
    [
        ("arm-none-eabi-gcc", "-march=armv6-m"),
        ("clang", "-march=armv7e-m"),
        ("arm-none-eabi-gcc", "-march=armv8-m.main"),
    ],
)
@pytest.mark.parametrize(
    ("units", "library", "status"),
    [
        (("-g0", "-g"), "has the names", "not checked"),
        (("-g", "-g0"), "has the names", "not checked"),
        (("-g0", "-g0"), "has the names", "not checked"),
        (("-g0", "-g0"), "has other names", "not checked"),
        (("-g", "-g"), "has other names", "holds"),
    ],
)
def test_what_a_library_alone_describes_is_not_of_the_contract(
    compiler: str, target: str, units: tuple[str, str], library: str, status: str
) -> None:
    """Neither types nor constants are taken from a library if the unit with the contract's object is not described."""
    options = f"compiler={compiler}", target, "-mthumb", "-fshort-enums"
    if compiler == "clang":
        options += ("--target=arm-none-eabi",)
    builds = [
        compiled(
            name,
            _OWN,
            *options,
            unit,
            library="" if unit == "-g" and status != "holds" else LIBRARIES[library],
        )
        for name, unit in zip(("station", "sampler"), units, strict=True)
    ]
    constants = checked("contract-constants-equal", contract('constants = ["HIGH"]'), *builds)
    of_types = [checked(RULE, types(name), *builds) for name in ("struct Link", "enum kind")]
    assert {result.status for result in (constants, *of_types)} == {status}
    reasons = {each.reason for result in (constants, *of_types) for each in result.not_checked}
    assert len(reasons) == (status == "not checked")
    assert all(each.endswith("describes no object of contract link, such as link_words") for each in reasons)


@pytest.mark.parametrize(
    "options", [("-fshort-enums",), ("-fno-short-enums",), ("-gdwarf-2", "-gstrict-dwarf")]
)
@pytest.mark.parametrize("other", ["arm-none-eabi-gcc", "clang"])
@pytest.mark.parametrize("values", ["LOW, HIGH", "LOW = -1, HIGH", "LOW, HIGH = 200"])
def test_plain_enumerations_of_two_compilers_agree(options: tuple[str, ...], other: str, values: str) -> None:
    """An enumeration of C has the sign that its values ask for, whichever compiler or form tells of it."""
    source = f'enum level {{ {values} }}; __attribute__((section(".link"))) enum level level;'
    size = "-fno-short-enums" if "-fno-short-enums" in options else "-fshort-enums"
    station = compiled("station", source, "-mthumb", "-march=armv7-m", *options)
    target = ("-march=armv7-m", "-mthumb", size)
    if other == "clang":
        target = ("--target=arm-none-eabi", *target)
    sampler = compiled("sampler", source, f"compiler={other}", *target)
    result = checked(RULE, types("enum level"), station, sampler)
    assert result.status == "holds", findings(result)


def test_what_neither_build_tells_is_told_once() -> None:
    """Both builds without debug information are named together, with the contract and type once."""
    read = types("struct link_frame")
    station, sampler = (replace(side(name, name), debug=None) for name in ("station", "sampler"))
    (missing,) = checked(RULE, read, station, sampler).not_checked
    assert missing.where == "contract link, struct link_frame, builds station and sampler"


@pytest.mark.parametrize("case", sorted(BREAKS))
def test_pictures_fit_a_report_of_80_columns_and_mark_one_first_difference(case: str) -> None:
    """Every picture is at most 68 columns wide and has exactly one row marked as the first difference."""
    for finding in findings(BREAKS[case]()):
        picture = [line for line in finding.lines if not line.startswith(("a likely cause", "also:"))]
        if finding.what.startswith("no build defines"):
            assert not picture
            continue
        assert max(map(len, picture)) <= WIDTH == 68
        assert 1 <= sum(line.startswith(">>") for line in picture) <= 2


def test_the_picture_names_the_cause() -> None:
    """Where the build attributes differ in what decides the layout, the finding says so."""
    finding = findings(_gauge("sampler-wide-enums"))[0]
    assert any("size of enumerations" in line for line in finding.lines)
    assert "likely cause" not in "".join(
        findings(of_sides(RULE, types("struct link_sample"), sampler="sampler-packed"))[0].lines
    )


_ARRAY = "#include <array>\n"
_ATOMIC = "#include <atomic>\n"
C_AND_CPP = {
    "arrays of arrays": (
        "struct cell { uint16_t level[2]; }; struct box { struct cell cells[3]; uint8_t grid[3][4]; };",
        _ARRAY + "struct cell { std::array<uint16_t, 2> level; };"
        "struct box { std::array<cell, 3> cells; std::array<std::array<uint8_t, 4>, 3> grid; };",
    ),
    "a base class's members": (
        "struct box { uint32_t id; uint32_t level; uint8_t turn; };",
        "struct header { uint32_t id; }; struct middle : header { uint32_t level; };"
        "struct box : middle { uint8_t turn; };",
    ),
    "a base class as a member": (
        "struct header { uint32_t id; }; struct box { struct header head; uint32_t level; };",
        "struct nothing {}; struct header { uint32_t id; }; struct box : nothing, header { uint32_t level; };",
    ),
    "an enumeration in the style of each": (
        "enum quality { QUALITY_GOOD, QUALITY_POOR = 4 }; struct box { enum quality quality; };",
        "enum class Quality : uint8_t { Good, Poor = 4 }; struct box { Quality quality; };",
    ),
    "flags of a library": (
        "struct box { uint8_t lock; _Bool ready; };",
        _ATOMIC + "struct box { std::atomic_flag lock; std::atomic<bool> ready; };",
    ),
    "names in the style of each": (
        "struct box { uint32_t levelCount; uint16_t kind; uint16_t mode; };",
        "struct box { uint32_t level_count; uint16_t m_kind; uint16_t mode_; };",
    ),
    "a content that has the wrapper's name for it": (
        "struct inner { uint32_t value; uint16_t turn; }; struct box { struct inner list[2]; };",
        "struct inner { uint32_t value; uint16_t turn; }; template <typename T> struct Strong { T value; };"
        "struct box { Strong<inner> list[2]; };",
    ),
    "an open array": (
        "struct box { uint32_t count; uint8_t data[]; };",
        "struct box { uint32_t count; uint8_t data[0]; };",
    ),
    "padding that both name": (
        "struct box { uint8_t turn; uint8_t reserved[3]; uint32_t level; };",
        "struct box { uint8_t turn; uint8_t pad_[3]; uint32_t level; };",
    ),
    "padding that one side names": (
        "struct box { uint8_t turn; uint32_t level; };",
        "struct box { uint8_t turn; uint8_t reserved[3]; uint32_t level; };",
    ),
}
UNLIKE_CPP = {
    "an array of another length": (
        "struct box { uint16_t level[6]; };",
        _ARRAY + "struct box { std::array<uint16_t, 7> level; };",
    ),
    "names that changed places": (
        "struct box { uint32_t levelCount; uint32_t turnCount; };",
        "struct box { uint32_t turn_count; uint32_t level_count; };",
    ),
    "bit fields for a number": (
        "struct box { uint32_t ready : 1; uint32_t errors : 31; };",
        "struct box { uint32_t flags; };",
    ),
    "a base class that comes second": (
        "struct box { uint32_t id; uint16_t level; };",
        "struct first { uint16_t level; }; struct box : first { uint32_t id; };",
    ),
    "enumerators that changed places": (
        "enum quality { QUALITY_GOOD, QUALITY_POOR }; struct box { enum quality quality; };",
        "enum class Quality : uint8_t { Poor, Good }; struct box { Quality quality; };",
    ),
    "padding that is data on the other side": (
        "struct box { uint8_t turn; uint8_t battery; uint16_t level; };",
        "struct box { uint8_t turn; uint8_t reserved; uint16_t level; };",
    ),
}
_MARCH = ("-mthumb", "-march=armv7e-m")
_BOX = '\n__attribute__((section(".link"), used)) struct box box;'


@pytest.mark.parametrize("case", [*C_AND_CPP, *UNLIKE_CPP])
@pytest.mark.parametrize("primary", ["c", "c++"])
def test_c_and_cpp(case: str, primary: str) -> None:
    """What C++ adds to the same bytes makes no difference, whichever core it is on; other bytes do."""
    mine, theirs = (C_AND_CPP | UNLIKE_CPP)[case]
    sources = {"c": mine, "c++": theirs}
    other = "c++" if primary == "c" else "c"
    station = compiled("station", sources[primary] + _BOX, *_MARCH, language=primary)
    sampler = compiled("sampler", sources[other] + _BOX, *_MARCH, language=other)
    found = findings(checked(RULE, types("struct box"), station, sampler))
    assert len(found) == (case in UNLIKE_CPP)


FIRST_DIFFERENCES = {
    "a value of an enumeration in the style of each": (
        "enum quality { QUALITY_GOOD, QUALITY_POOR = 4 }; struct box { enum quality quality; };",
        "enum class Quality : uint8_t { Good, Poor = 5 }; struct box { Quality quality; };",
        "QUALITY_POOR = 5",
        "QUALITY_POOR = 4",
    ),
    "the size of an enumeration in the style of each": (
        "enum quality { QUALITY_GOOD, QUALITY_POOR = 4 }; struct box { enum quality quality; };",
        "enum class Quality : uint16_t { Good, Poor = 4 }; struct box { Quality quality; };",
        "enum Quality quality at byte 0, 2 bytes,",
        "enum quality quality at byte 0, 1 byte,",
    ),
    "a wider member, which is elsewhere for it": (
        "struct box { uint32_t id; uint32_t time; };",
        "struct box { uint32_t id; uint64_t time; };",
        "uint64_t time at byte 8, 8 bytes,",
        "uint32_t time at byte 4, 4 bytes,",
    ),
    "a base class that is no longer empty": (
        "struct head { uint32_t id; }; struct box { struct head head; uint32_t level; };",
        "struct tagged { uint32_t tag; }; struct head { uint32_t id; };"
        "struct box : tagged { struct head head; uint32_t level; };",
        "uint32_t tag at byte 0, 4 bytes,",
        "no uint32_t tag",
    ),
}
"""Sources in C and C++, and what the finding says of the first difference: found, expected."""


@pytest.mark.parametrize("case", FIRST_DIFFERENCES)
def test_the_first_difference_is_the_one_that_was_made(case: str) -> None:
    """Enumerators are paired by the style of each language, members by their names, wherever these are."""
    mine, theirs, found, expected = FIRST_DIFFERENCES[case]
    station, sampler = (
        compiled("station", mine + _BOX, *_MARCH),
        compiled("sampler", theirs + _BOX, *_MARCH, language="c++"),
    )
    (finding,) = findings(checked(RULE, types("struct box"), station, sampler))
    assert finding.found.startswith(found)
    assert finding.expected.startswith(expected)
