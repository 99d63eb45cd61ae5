"""``veneers-aligned``: where the veneers of real and written secure builds begin."""

from __future__ import annotations

import pytest
from capability_builds import (
    applied,
    capability_build,
    capability_builds,
    device,
    everything,
    image_of,
)
from elf_writer import SegmentSpec, SymbolSpec, elf
from gauge_builds import gauge, gauge_builds
from small_device import apply, findings, joined
from small_device import build as build_of

from gemel.builds.build import Build
from gemel.builds.elf.section_table import SectionTable
from gemel.builds.elf.symbols import SymbolTable
from gemel.checking.runner import RuleResult
from gemel.inspection.cores.secure_builds import veneer_vectors
from gemel.spans import Span

RULE = "veneers-aligned"
VENEERS, ENTRY = 0x1000_8000, 0x1000_00B0
VENEER = bytes.fromhex("7fe97fe9f8f754b8")
"""SG and B.W as the linker of testdata/capabilities made them."""


def _misaligned() -> RuleResult:
    return applied(RULE, "security", keeper="keeper-misaligned", caller="caller-misaligned")


def _keeper(
    offset: int = 0,
    data: bytes = VENEER + bytes(24),
    section: str = ".gnu.sgstubs",
    header: dict[str, int] | None = None,
    symbols: bool = True,
    sections: bool = True,
) -> Build:
    """A keeper whose section of veneers lies ``offset`` bytes behind a multiple of 32."""
    start = VENEERS + offset
    gateway = start + max(0, data.find(VENEER))
    code = elf(
        [
            SegmentSpec(0x1000_0000, bytes(0xF0)),
            SegmentSpec(start, data, section_name=section),
        ],
        symbols=[SymbolSpec("keeper_add", gateway | 1, 8), SymbolSpec("__acle_se_keeper_add", ENTRY | 1, 8)]
        if symbols
        else None,
        section_headers={section: header} if header else None,
        sections=sections,
    )
    return build_of("keeper", code)


def _of(keeper: Build | None) -> RuleResult:
    """What the rule says of a keeper, or of none; the image is that of the sound pair."""
    read, builds = device("security"), capability_builds("security")
    image = image_of(read, builds)
    return apply(RULE, read, image, builds | {"keeper": keeper} if keeper else {"caller": builds["caller"]})


BREAKS = {
    "16 bytes after a multiple of 32": _misaligned,
    "8 bytes after": lambda: _of(_keeper(offset=8)),
    "at the end of a unit": lambda: _of(_keeper(offset=24)),
    "a removed function in front, yet inside of the unit": lambda: _of(
        _keeper(offset=8, data=bytes(8) + VENEER + bytes(16))
    ),
    "padded to a multiple of 32 all the same": lambda: _of(_keeper(offset=16, data=VENEER + bytes(8))),
    "outside the callable area as well": lambda: _of(_keeper(offset=-0x3FF8)),
}

KEEPS = {
    "as linked": lambda: applied(RULE, "security"),
    "outside their area, another rule's matter": lambda: applied(
        RULE, "security", keeper="keeper-veneers-outside", caller="caller-veneers-outside"
    ),
    "not padded, another rule's matter": lambda: applied(RULE, "security", keeper="keeper-unpadded"),
    "functions removed at the front": lambda: _of(_keeper(data=bytes(16) + VENEER + bytes(8))),
    "a whole unit of functions removed": lambda: _of(_keeper(data=bytes(32) + VENEER + bytes(24))),
    "the linker's zeros in front of a multiple of 32": lambda: _of(
        _keeper(offset=8, data=bytes(24) + VENEER + bytes(24))
    ),
    "a short section": lambda: _of(_keeper(data=VENEER)),
}


def test_the_finding_tells_where_they_begin() -> None:
    """The bytes of the vector, how far behind a multiple of 32 it begins, and where it might."""
    (finding,) = findings(_misaligned())
    assert finding.found == "0x1000_8010..0x1000_802F, which begins 16 bytes after such a multiple"
    assert finding.expected == "a start at 0x1000_8000 or 0x1000_8020"
    assert finding.parties == ("keeper", "station", "veneers")
    assert finding.span == Span(0x1000_8010, 32)


def test_addresses_are_those_of_the_core_and_the_span_is_plain() -> None:
    """A keeper linked for the alias of its flash is told as its core sees it; the span names the memory."""
    keeper = build_of(
        "keeper",
        elf([SegmentSpec(0x0000_8010, VENEER + bytes(24), section_name=".gnu.sgstubs")], symbols=[]),
    )
    (finding,) = findings(_of(keeper))
    assert finding.found.startswith("0x0000_8010..")
    assert finding.span == Span(0x1000_8010, 32)


@pytest.mark.parametrize("offset", range(1, 32))
def test_every_other_start_is_found(offset: int) -> None:
    """Only multiples of 32 bytes will do (CMSE 1.4, requirement 13)."""
    result = _of(_keeper(offset=offset))
    assert len(findings(result)) == 1
    assert not result.holds


@pytest.mark.parametrize("erased", [0xFF, 0x00])
@pytest.mark.parametrize("data", [VENEER + bytes(24), VENEER * 4], ids=["padded", "full"])
def test_no_other_rule_tells_of_the_same_fault(data: bytes, erased: int) -> None:
    """What lies around a misaligned vector in its first and last unit, erased or zero, is no second fault."""
    replaced = {'kind = "flash"': f'kind = "flash"\nerased_byte = {erased}'}
    read, keeper = device("security", replaced), _keeper(offset=16, data=data)
    builds = capability_builds("security") | {"keeper": keeper}
    image = image_of(read, builds)
    assert len(findings(apply(RULE, read, image, builds))) == 1
    other = "callable-area-holds-only-veneers"
    beside = [each for each in findings(apply(other, read, image, builds)) if "padded" in each.what]
    assert beside == []


def test_what_the_sections_tell_are_the_bytes_that_are_called() -> None:
    """The vector begins at the first gateway of each real keeper, wherever its section lies."""
    for file, start in (("keeper", 0x1000_8000), ("keeper-misaligned", 0x1000_8010)):
        keeper = capability_build("keeper", file)
        assert veneer_vectors(keeper) == [Span(start, 32)]
        assert keeper.read_at_run(start, 4) == VENEER[:4]


@pytest.mark.parametrize(
    ("keeper", "reason"),
    [
        (None, "needs the ELF file: keeper=FILE"),
        (_keeper(sections=False), "the file has no section headers"),
        (_keeper(section=".veneers"), "1 gateway without a section .gnu.sgstubs that holds them"),
        (_keeper(section=".veneers", symbols=False), "the file is stripped (it has no symbol table)"),
        (_keeper(header={"sh_type": 8}), "1 gateway without a section .gnu.sgstubs that holds them"),
        (_keeper(header={"sh_flags": 0}), "1 gateway without a section .gnu.sgstubs that holds them"),
        (_keeper(header={"sh_size": 0}), "1 gateway without a section .gnu.sgstubs that holds them"),
        (
            build_of("keeper", b":0480000000BF00BFFE\r\n:00000001FF\r\n", "keeper.hex"),
            "an Intel HEX file has none; needs its ELF file",
        ),
    ],
)
def test_what_cannot_be_told_is_not_checked(keeper: Build | None, reason: str) -> None:
    """Without sections, or with veneers that no section of that name holds, the reason is told."""
    result = _of(keeper)
    assert [(each.where, each.reason) for each in result.not_checked] == [("build keeper", reason)]
    assert result.status == "not checked"


def test_a_stripped_build_is_checked() -> None:
    """Sections tell it; symbols are not asked for."""
    assert _of(_keeper(symbols=False)).status == "holds"
    assert _of(_keeper(offset=16, symbols=False)).status == "broken"


def test_nothing_to_look_at() -> None:
    """Neither a layout without attributions nor a secure build without gateways has anything to look at."""
    plain = apply(RULE, gauge(), joined().image, gauge_builds())
    assert [each.reason for each in plain.not_applicable] == [plain.rule.absent]
    quiet = build_of("keeper", elf([SegmentSpec(0x1000_0000, bytes(0xF0))], symbols=[SymbolSpec("f", 1)]))
    assert [each.reason for each in _of(quiet).not_applicable] == [plain.rule.absent]


def test_nothing_is_read_without_need(monkeypatch: pytest.MonkeyPatch) -> None:
    """No symbols where sections tell it; not even sections where the layout states no security."""
    read, builds = device("security"), capability_builds("security")
    image, plain_image = image_of(read, builds), joined().image

    def refuse(_: object) -> None:
        raise AssertionError

    monkeypatch.setattr(SymbolTable, "all", refuse)
    assert apply(RULE, read, image, builds).status == "holds"
    monkeypatch.setattr(SectionTable, "all", refuse)
    plain = apply(RULE, gauge(), plain_image, gauge_builds())
    assert [each.reason for each in plain.not_applicable] == [plain.rule.absent]
    with pytest.raises(AssertionError):
        apply(RULE, read, image, builds)


def test_the_fault_is_in_the_link_and_not_in_the_call() -> None:
    """The caller linked with the import library of the misaligned keeper agrees with it."""
    result = everything("security", keeper="keeper-misaligned", caller="caller-misaligned")
    agree = next(each for each in result.results if each.rule.name == "secure-entries-agree")
    assert agree.status == "holds"
