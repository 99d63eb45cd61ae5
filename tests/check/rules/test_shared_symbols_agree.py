"""Tests of the rule ``shared-symbols-agree``."""

from __future__ import annotations

import pytest
from contract_builds import side
from contract_fixtures import BOOT, checked, compiled, contract, flat, of_sides, of_sources, written
from elf_writer import SymbolSpec
from small_device import LINK, apply, findings, station_elf

from gemel.checking.runner import RuleResult

RULE = "shared-symbols-agree"
NOTHING = contract("")


def _one_after_another(station: str, sampler: str) -> RuleResult:
    """What is said of two builds with these objects in what they share."""
    return of_sources(RULE, NOTHING, *_shared(station, sampler))


def _shared(*objects: str) -> list[str]:
    return [f'__attribute__((section(".link"), used)) {each};' for each in objects]


TWO = "char status[64], trace[64]"


BREAKS = {
    "placed by two linkers": lambda: of_sides(RULE, NOTHING, sampler="sampler-unfixed"),
    "another size": lambda: of_sides(RULE, NOTHING, sampler="sampler-depth"),
    "another type of the same size": lambda: of_sides(RULE, NOTHING, sampler="sampler-swapped"),
    "signed on one side only": lambda: of_sides(RULE, NOTHING, sampler="sampler-signed"),
    "another type altogether": lambda: of_sides(RULE, NOTHING, sampler="sampler-initialised"),
    "another object over half of one": lambda: _one_after_another(TWO, "char head[96], logs[64]"),
    "over its last bytes": lambda: _one_after_another(TWO, "char head[124], logs[64]"),
    "moved by a word": lambda: _one_after_another(TWO, "char head[68], logs[64]"),
    "over two": lambda: _one_after_another("char a[64], b[32], c[64]", "char head[80], logs[64]"),
    "of one source file": lambda: _one_after_another(TWO, "static char head[96], logs[64]"),
    "a symbol of a contract with another type": lambda: of_sides(
        RULE, contract('symbols = ["link_ring"]'), sampler="sampler-bit-field"
    ),
}
KEEPS = {
    "three objects": lambda: of_sides(RULE, NOTHING),
    "C++": lambda: of_sides(RULE, NOTHING, "cpp-station", "cpp-sampler"),
    "other objects after one": lambda: _one_after_another("char status[64]", "char head[64], logs[64]"),
    "parts of one": lambda: _one_after_another("char pool[256]", "char head[32], logs[64], ring[160]"),
    "words of one": lambda: _one_after_another(TWO, "int words[16], of_trace[16]"),
    "the last part rounded up": lambda: _one_after_another("char pool[250]", "char head[125], rest[128]"),
    "nothing of a size": lambda: _one_after_another("char all[128]", "char head[60], mark[0], rest[68]"),
    "named in a contract without types": lambda: of_sides(RULE, contract('symbols = ["link_ring"]')),
}


@pytest.mark.parametrize(
    ("others", "count"),
    [
        ("struct a { int id; struct stamp at; } first; struct b { struct stamp from, to; } second", 1),
        ("struct a { int id; struct stamp at[3]; } first; struct stamp second", 1),
        ("struct a { int id; struct stamp at; } first; struct b { %s; char x[4]; } second", 2),
    ],
)
def test_a_structure_inside_of_two_objects_is_one_fault(others: str, count: int) -> None:
    """Two objects that hold one structure which differs are one finding, that names both; two structures are two."""
    members = ("unsigned short ticks, zone", "short ticks, zone")
    sides = [_source(member, others.replace("%s", member)) for member in members]
    found = findings(of_sources(RULE, NOTHING, *sides))
    roots = [each for each in found if not {where for _, where in each.follows_from} - {each.where}]
    assert len(roots) == count
    if count == 1:
        (other,) = {"first", "second"} - {roots[0].where.partition(" ")[0]}
        assert f"the same type is in {other}" in roots[0].lines


def _source(member: str, objects: str) -> str:
    """The structure with this member, and the objects in shared memory."""
    link = '__attribute__((section(".link"), used))'
    placed = objects.replace("first", f"first {link}").replace("second", f"second {link}")
    return f"struct stamp {{ unsigned seconds; {member}; }};\n{placed};"


def test_what_an_object_of_a_contract_pushes_follows_from_it() -> None:
    """An object in another size moves what comes after it, which is one fault, and nothing that is before it."""
    named = contract('symbols = ["status"]')
    smaller, larger = "char status[64], trace[64]", "char status[96], trace[64]"
    finding = findings(of_sources(RULE, named, *_shared(smaller, larger)))[-1]
    assert "have trace at different places" in finding.what
    assert [rule for rule, _ in finding.follows_from] == ["contract-symbols-agree"]
    before = "char trace[64], status[64]", "char head[8], trace[64], status[96]"
    finding = findings(of_sources(RULE, named, *_shared(*before)))[-1]
    assert "have trace at different places" in finding.what
    assert finding.follows_from == ()


def test_what_a_contract_says_already_is_not_said_twice() -> None:
    """An object whose place and type a contract names is left to the rules of contracts."""
    named = contract('symbols = ["link_ring"]', 'types = ["link_ring_t"]')
    assert findings(of_sides(RULE, named, sampler="sampler-depth")) == []
    undeclared = findings(of_sides(RULE, NOTHING, sampler="sampler-depth"))
    assert [finding.what.split(" have ")[1].split()[0] for finding in undeclared] == ["link_ring"]


MAIL = 'typedef struct mail {{ int level; {} }} mail_t; mail_t *used; __attribute__((section(".link"))) {};'


@pytest.mark.parametrize("declared", ["mail_t box", "struct mail box", "mail_t box[4]", "const mail_t box"])
@pytest.mark.parametrize("spelling", ["mail_t", "struct mail", "mail"])
@pytest.mark.parametrize("symbols", ['symbols = ["box"]', ""])
def test_a_type_by_tag_or_typedef_is_one(declared: str, spelling: str, symbols: str) -> None:
    """What a contract tells of a type is not told again of objects that have it, by whatever name."""
    read = contract(symbols, f'types = ["{spelling}"]')
    unlike = MAIL.format("float tide;", declared), MAIL.format("int tide;", declared)
    assert len(findings(of_sources("contract-types-agree", read, *unlike))) == 1
    assert findings(of_sources(RULE, read, *unlike)) == []


@pytest.mark.parametrize("declared", ["mail_t *box", "mail_t box[4], other"])
def test_another_type_than_the_contract_s_is_still_told(declared: str) -> None:
    """A pointer to the contract's type, or more elements of it, is a type of its own."""
    read = contract('symbols = ["box"]', 'types = ["struct mail"]')
    one, more = MAIL.format("", declared), MAIL.format("", "mail_t box[5]")
    assert len(findings(of_sources(RULE, read, one, more))) == 1
    assert findings(of_sources("contract-types-agree", read, one, more)) == []


@pytest.mark.parametrize(
    "kind", ["another object over half of one", "over its last bytes", "moved by a word", "over two"]
)
def test_objects_that_overlap_in_part_are_one_finding_with_each_overlap(kind: str) -> None:
    """Each is named with places and sizes, the sampler's as the station sees them."""
    (finding,) = findings(BREAKS[kind]())
    text = "\n".join((finding.found, finding.expected, *finding.lines))
    assert "logs at 0x2000_30" in text
    overlaps = {"moved by a word": 2, "another object over half of one": 2, "over two": 3}.get(kind, 1)
    assert [text.count(f"in build {name}") for name in ("station", "sampler")] == [overlaps] * 2


RINGS = 'typedef struct ring {{ {} head; int items[{}]; }} ring_t; __attribute__((section(".link"), used)) ring_t {};'


@pytest.mark.parametrize(
    "declared", ["one, two", "one[2], two", 'one; __attribute__((section(".link"))) struct ring two']
)
def test_objects_of_one_type_are_one_finding(declared: str) -> None:
    """What differs is the type: the first object's finding shows it."""
    kinds = ("int", "float")
    (finding,) = findings(of_sources(RULE, NOTHING, *(RINGS.format(kind, 4, declared) for kind in kinds)))
    assert "lay out" in finding.what


def test_objects_of_two_types_are_two_findings() -> None:
    """Two types that both differ are two causes, and so are two plain numbers."""
    for kinds in (("int a, b",), ("struct {{ {} x; }} a", "struct {{ {} y; }} b")):
        sides = [
            " ".join(_shared(*(each.replace("int", kind).format(kind) for each in kinds)))
            for kind in ("int", "float")
        ]
        assert len(findings(of_sources(RULE, NOTHING, *sides))) == 2


@pytest.mark.parametrize(
    ("language", "object_", "found"),
    [
        ("c", "uint16_t link_turn", "uint16_t of 2 bytes"),
        ("c", "int link_turn", "int of 4 bytes"),
        ("c", "uint32_t link_turn[2]", "uint32_t [2] of 8 bytes"),
        ("c++", "std::atomic<uint16_t> link_turn", "struct atomic<short unsigned int> of 2 bytes"),
    ],
)
def test_the_type_of_each_side_is_named(language: str, object_: str, found: str) -> None:
    """Of two types of one name, what the second build has is said with its own type, whatever its size."""
    options = "-mthumb", "-march=armv7-m"
    include = "#include <atomic>\n" if language == "c++" else ""
    station = compiled("station", _shared("uint32_t link_turn")[0], *options)
    sampler = compiled("sampler", include + _shared(object_)[0], *options, language=language)
    (finding,) = findings(checked(RULE, contract('symbols = ["link_turn"]'), station, sampler))
    assert finding.found.startswith(f"{found} in build sampler")
    assert finding.expected.startswith("uint32_t of 4 bytes as in build station")


def test_what_a_larger_object_pushed_is_said_with_it() -> None:
    """Objects at other places are one finding, the resized one's, with the places of the others."""
    sides = ("char a[8], b[8], c[8]", "char a[8], b[12], c[8]")
    (finding,) = findings(of_sources(RULE, NOTHING, *_shared(*sides)))
    assert finding.where.startswith("b in builds")
    assert "different sizes" in finding.what
    assert any(line.startswith("c at") for line in finding.lines)


def test_an_overlap_follows_from_objects_at_other_places() -> None:
    """What pushed a common object pushed what overlaps, too."""
    sides = ("char x[64], trace[64], ring[8]", "char y[96], logs[64], ring[8]")
    (finding,) = findings(of_sources(RULE, NOTHING, *_shared(*sides)))
    assert finding.where.startswith("ring in builds")


def test_what_a_contract_names_and_the_other_build_has_not_is_its_own_finding() -> None:
    """An object that another name took the place of is missing, whatever overlaps what."""
    (finding,) = findings(
        of_sources(RULE, contract('symbols = ["trace"]'), *_shared(TWO, "char head[96], logs[64]"))
    )
    assert ("contract-symbols-agree", "contract link, trace") in finding.follows_from


def test_a_local_name_or_one_outside_of_shared_areas_says_nothing() -> None:
    """Statics of one name and objects in a core's own RAM are nobody else's business."""
    local = station_elf(symbols=(SymbolSpec("link_frames", LINK + 128, 8, "object", "local"),))
    result = apply(RULE, contract("", more={BOOT: ""}), handed=written(station=local))
    assert findings(result) == []


def test_objects_without_debug_information_are_compared_by_place_only() -> None:
    """Without debug information a difference of place is found, and an equal place is not said to hold."""
    assert findings(apply(RULE, NOTHING, handed=written(station=_moved())))[0].found.startswith("0x2000_3000")
    result = apply(RULE, NOTHING, handed=written())
    assert result.status == "not checked"
    assert "no debug information" in result.not_checked[0].reason


def _moved() -> bytes:
    return station_elf().replace((LINK).to_bytes(4, "little"), (LINK + 8).to_bytes(4, "little"))


def test_builds_without_symbols_are_not_checked() -> None:
    """Missing and raw builds are named."""
    result = checked(RULE, NOTHING, side("station", "station"), None)
    assert result.not_checked[0].reason == "needs the ELF file: sampler=FILE"
    assert (
        "needs its ELF file"
        in checked(RULE, NOTHING, side("station", "station"), flat("sampler")).not_checked[0].reason
    )
