"""No rule is idle: each is broken by a compiled build, or by the joined image of one, changed in one place.

The tables of real builds next to this file break the rules that are about compiled code. The others are broken here,
each by one change to the layout, the image or what was asked for.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from functools import cache
from typing import Any

import pytest
from capability_builds import FAULTS as CAPABILITIES
from capability_builds import applied as capability
from compiled_pairs import RELEASE, compiled, layout_for, pair, said_by
from contract_fixtures import contract, of_sides
from gauge_builds import gauge, gauge_builds
from ram_and_start import of as start_of
from rehearsals import device as rehearsed
from seal_keys import key_for, other_key
from small_device import TODAY
from system.test_ram_and_start import FAULTS as STARTS
from system.test_ram_and_start import FAULTY_LAYOUTS
from system.test_verdict_builds import AT_ZERO, BOARD, FAULTS, LANGUAGES, LOADERS, PAIRS, STARTUP, USES_FLOAT
from verdict_builds import BUILT, LARGER_FLASH, RECORDED, builds_of, layout_of

from gemel.builds.build import Build
from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.checking.registry import all_rules, rule_named
from gemel.checking.runner import RuleResult, check
from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join
from gemel.layout.reader import ReadLayout
from gemel.placement.placed import Version
from gemel.policy.reader import Receiver, read_policy
from gemel.seals.keys.keys import PrivateKey
from gemel.seals.seal import make_seal
from gemel.seals.sealing import put_seal, record_bytes, signatures_by
from gemel.spans import Span

STATION, SAMPLER, RECORD, SEAL = 0x1000_0000, 0x1000_8000, 0x1001_0000, 0x1001_1000
CODE_END = 0x1000_7FFC
SEALED = (*RECORDED, ("[area]", '[seal]\narea = "seal"\nrequired = true\nalgorithms = ["Ed25519"]\n\n[area]'))
OLD, STRANGER, P256 = key_for("Ed25519"), other_key(9), key_for("ECDSA-P256")


def _tables(text: str) -> tuple[str, str]:
    """A change to the layout that adds tables at its end."""
    return ("[contract.link]", f"{text}\n[contract.link]")


def _crc(algorithm: str, more: str = "", at: int = CODE_END) -> tuple[str, str]:
    size = f'over = [{{ area = "station-code", offset = 0, size = 0x7FFC }}]\nat = {at:#x}\n{more}'
    return _tables(f'[[checksum]]\nname = "crc"\nalgorithm = "{algorithm}"\n{size}\n')


def _stamp(at: int) -> tuple[str, str]:
    return _tables(f'[[stamp]]\nname = "size"\nat = {at:#x}\nwidth = 4\nvalue = {{ size_of = "station" }}\n')


@cache
def _image(family: str, changes: tuple[tuple[str, str], ...], files: tuple[str, ...]) -> SparseBytes:
    return join(layout_of(family, *changes), builds_of(family, *files)).image


def _of(
    rule: str,
    *changes: tuple[str, str],
    files: tuple[str, ...] = (),
    family: str = "v8",
    edit: Callable[[SparseBytes], None] | None = None,
    given: dict[str, Build] | None = None,
    read: ReadLayout | None = None,
    **options: Any,
) -> RuleResult:
    """What a rule says of the sound pair's image, with one thing changed; the builds of ``given``, or none."""
    image = _image(family, changes, files).copy()
    if edit:
        edit(image)
    inspection = Inspection(
        read or layout_of(family, *changes), image, given or {}, disassemble=True, **options
    )
    return _applied(rule, inspection)


def _applied(rule: str, inspection: Inspection) -> RuleResult:
    found = rule_named(rule)
    if found is None:
        raise KeyError(f"no rule {rule}")
    return check(inspection, TODAY, [found]).results[0]


def _written(address: int, data: bytes) -> Callable[[SparseBytes], None]:
    return lambda image: image.write(address, data)


def _erased(start: int, size: int) -> Callable[[SparseBytes], None]:
    return lambda image: image.erase(Span(start, size))


def _sealed(
    rule: str,
    *signers: PrivateKey,
    trusted: PrivateKey = OLD,
    edit: Callable[[SparseBytes], None] | None = None,
) -> RuleResult:
    """What a rule says of the image alone, sealed by ``signers``."""
    read = layout_of("v8", *SEALED)

    def seal(image: SparseBytes) -> None:
        record = record_bytes(read.layout, image)
        if signers:
            put_seal(read.layout, image, make_seal(record, signatures_by(record, signers)))
        if edit:
            edit(image)

    return _of(rule, *SEALED, edit=seal, trusted=(trusted.public_key,))


def _patched(file: str, edit: Callable[[bytearray], None], name: str = "sampler") -> dict[str, Build]:
    """A committed ELF file with some of its bytes changed."""
    data = bytearray((BUILT / f"{file}.elf").read_bytes())
    edit(data)
    return {name: read_build(BytesSource(bytes(data), f"{file}.elf"), name=name, file=f"{file}.elf")}


def _attribute(data: bytearray) -> None:
    """Tag_THUMB_ISA_use becomes tag 60, which no standard defines (ADDENDA32)."""
    at = data.index(b"\x07M\x09\x03") + 2
    data[at] = 60


def _load_address(index: int, move: int) -> Callable[[bytearray], None]:
    """Program header ``index`` with another p_paddr (gABI chapter 7)."""

    def edit(data: bytearray) -> None:
        at = struct.unpack_from("<I", data, 28)[0] + 32 * index + 12
        struct.pack_into("<I", data, at, struct.unpack_from("<I", data, at)[0] + move)

    return edit


def _headers(data: bytearray) -> None:
    """The first segment begins at the start of the file, as page-aligned links make it."""
    at = struct.unpack_from("<I", data, 28)[0]
    offset, run, load, size, memory = struct.unpack_from("<5I", data, at + 4)
    struct.pack_into("<5I", data, at + 4, 0, run - offset, load - offset, size + offset, memory + offset)


def _regions(data: bytearray) -> None:
    """The label of the linker fragment, in place of another absolute symbol."""
    at = data.index(b"__zero_table_start__\0")
    data[at : at + 21] = b"gemel_regions_id\0\0\0\0\0"


def _swapped(image: SparseBytes) -> None:
    for address, piece in list(image.pieces()):
        data = bytes(piece) + b"\xff" * (-len(piece) % 4)
        image.write(address, b"".join(data[at : at + 4][::-1] for at in range(0, len(data), 4)))


def _gauge(rule: str, **files: str) -> RuleResult:
    """What a rule says of the tide gauge's sound image, with other builds given."""
    image = join(gauge(), gauge_builds()).image
    return _applied(rule, Inspection(gauge(), image, gauge_builds(**files)))


RULES: dict[str, Callable[[str], RuleResult]] = {
    # the image
    "area-bytes-accounted-for": lambda rule: _of(
        rule, edit=_written(SAMPLER + 0x6000, b"left over"), given=builds_of("v8")
    ),
    "flash-words-programmed": lambda rule: _of(rule, edit=_erased(SAMPLER + 0x80, 16)),
    "image-bytes-in-order": lambda rule: _of(rule, edit=_swapped, given=builds_of("v8")),
    "image-inside-areas": lambda rule: _of(rule, LARGER_FLASH, edit=_written(0x1001_8000, b"stray")),
    "image-inside-memories": lambda rule: _of(rule, edit=_written(0x3000_0000, b"stray")),
    "unassigned-flash-unwritten": lambda rule: _of(
        rule, LARGER_FLASH, edit=_written(0x1001_8000, b"\xff" * 16)
    ),
    "write-units-whole": lambda rule: _of(rule, LARGER_FLASH, edit=_written(0x1001_8000, b"stray")),
    "file-entry-is-reset-handler": lambda rule: _of(rule, entry=STATION + 0x101, given=builds_of("v8")),
    "code-uses-own-memory": lambda rule: said_by(
        rule,
        layout_for("v7"),
        pair(
            station=compiled("station", "gcc", "v7", "-Os", (("/*MAIN*/", RELEASE),)),
            sampler=compiled(
                "sampler", "gcc", "v7", "-Os", (("/*MAIN*/", "*(volatile int *)0x20000100 = 1;"),)
            ),
        ),
    ),
    "release-value-agrees": lambda rule: _of(
        rule, ("control_register = 0x4002_1118", "control_register = 0x4002_1F18"), given=builds_of("v8")
    ),
    "primary-holds-vector-address": lambda rule: start_of(rule, "station-computes-vectors"),
    "swept-instructions-fit-core": lambda rule: capability(
        rule, sampler="sampler-float-instruction", alone=True
    ),
    # record and digests
    "record-sound": lambda rule: _of(rule, *RECORDED, edit=_written(RECORD + 8, b"\0\0")),
    "record-digests-match": lambda rule: _of(rule, *RECORDED, edit=_written(STATION + 0x90, b"\0\0")),
    "rest-digest-matches": lambda rule: _of(rule, *RECORDED, edit=_written(0x1001_4000, b"\0\0")),
    "reserved-areas-untouched": lambda rule: _of(rule, *RECORDED, edit=_written(0x1001_2000, b"\0\0")),
    "record-of-this-layout": lambda rule: _of(
        rule, *RECORDED, read=layout_of("v8", *RECORDED, ("interrupts = 8", "interrupts = 9"))
    ),
    "record-of-these-builds": lambda rule: _gauge(rule, sampler="sampler-misplaced"),
    "build-ids-equal": lambda rule: _gauge(rule, sampler="sampler-wide-enums"),
    "image-fits-policy": lambda rule: _of(
        rule, *RECORDED, receiver=Receiver(policy=read_policy(b'format = 1\nproduct = "lock"\n', "own.toml"))
    ),
    "version-as-asked": lambda rule: _of(rule, *RECORDED, version=Version(1, 3, 0)),
    "rollback-not-lower": lambda rule: _of(rule, *RECORDED, at_least=4),
    "checksums-match": lambda rule: _of(
        rule, _crc("CRC-32/ISO-HDLC"), edit=_written(STATION + 0x90, b"\0\0")
    ),
    "checksum-rejects-blank": lambda rule: _of(rule, _crc("CRC-16/XMODEM")),
    "checksum-distance-sufficient": lambda rule: _of(rule, _crc("CRC-32/ISO-HDLC")),
    "checksum-distance-as-asked": lambda rule: _of(rule, _crc("CRC-32/ISO-HDLC", "hamming_distance = 6")),
    "stamps-match": lambda rule: _of(
        rule, _stamp(CODE_END), edit=_written(CODE_END, b"\0\0"), given=builds_of("v8")
    ),
    "written-places-free": lambda rule: _of(rule, _stamp(STATION + 0x90), given=builds_of("v8")),
    # seals
    "seal-present": lambda rule: _sealed(rule),
    "seal-well-formed": lambda rule: _sealed(rule, OLD, edit=_written(SEAL, b"\0\0\0")),
    "seal-by-trusted-key": lambda rule: _sealed(rule, STRANGER),
    "seal-signers-known": lambda rule: _sealed(rule, OLD, STRANGER),
    "seal-signers-sufficient": lambda rule: _sealed(rule, STRANGER),
    "seal-algorithm-allowed": lambda rule: _sealed(rule, P256, trusted=P256),
    "seal-over-this-record": lambda rule: _sealed(rule, OLD, edit=_written(RECORD + 0x30, b"other")),
    # the layout, and what it says of these builds
    "areas-on-write-units": lambda rule: _of(
        rule, ('offset = "32 KiB", size = "32 KiB"', 'offset = "32 KiB", size = 0x7FF8')
    ),
    "erase-blocks-apart": lambda rule: _of(rule, ('erase_block = "4 KiB"', 'erase_block = "64 KiB"')),
    "attribution-on-sau-units": lambda rule: capability(
        rule, "security", replace={'size = "1 KiB"\npurpose = "code"': 'size = 0x3F0\npurpose = "code"'}
    ),
    "primary-vectors-at-reset": lambda rule: _of(
        rule, ('role = "primary"\n', 'role = "primary"\nreset_vectors = 0x1000_4000\n')
    ),
    "vector-table-aligned": lambda rule: _of(
        rule, ('role = "secondary"\n', 'role = "secondary"\nvector_alignment = 0x1_0000\n')
    ),
    "secure-fault-vector-unused": lambda rule: _of(
        rule, ("armv6-m", "armv8-m.base"), family="v6", edit=_written(SAMPLER + 7 * 4, b"\x65\x80\x00\x10")
    ),
    "contract-symbols-agree": lambda rule: _of(
        rule, ('size = "1 KiB", purpose = "shared"', 'size = 64, purpose = "shared"'), given=builds_of("v8")
    ),
    "ram-claims-apart": lambda rule: _of(
        rule,
        ('ram = ["station-ram"]\n', ""),
        ('ram = ["sampler-ram"]\n', ""),
        *AT_ZERO,
        files=("station-startup", "sampler-startup-over-station"),
        given=builds_of("v8", "station-startup", "sampler-startup-over-station"),
    ),
    # what compilers and linkers make
    "build-demands-understood": lambda rule: _of(rule, given=_patched("sampler-v8", _attribute)),
    "file-headers-not-stored": lambda rule: _of(rule, given=_patched("sampler-v8", _headers)),
    "linked-by-current-regions": lambda rule: _of(rule, given=_patched("sampler-tables-v8", _regions)),
    "load-addresses-in-flash": lambda rule: _of(
        rule, given=_patched("sampler-v8", _load_address(1, 0x2000_2000 - 0x1000_8114))
    ),
    "copied-build-in-run-area": lambda rule: start_of(
        rule, "copying-station", ('size = "4 KiB", purpose = "code"', 'size = 256, purpose = "code"')
    ),
    "copied-build-left-alone": lambda rule: start_of(
        rule, "copying-station-tides-in-copy", handed=("station",)
    ),
    "start-copies-into-own-ram": lambda rule: start_of(rule, "sampler-copy-over-link"),
    "embedded-build-current": lambda rule: _gauge(rule, station="station-stale"),
    "contract-constants-equal": lambda rule: of_sides(
        rule, contract('constants = ["LINK_PROTOCOL"]'), sampler="sampler-protocol"
    ),
    "shared-data-attributes-agree": lambda rule: of_sides(
        rule, contract(""), "station-no-debug", "sampler-wide-enums"
    ),
    "rehearsal-passes": lambda rule: _rehearsed(rule),
}
"""For each rule that no table breaks, what one change to a real image gives."""


def _rehearsed(rule: str) -> RuleResult:
    case = rehearsed(station="wrong-address")
    return _applied(rule, Inspection(case.read, case.image, case.builds, rehearsal=case.rehearse()))


IN_TABLES = {
    *(
        rule
        for table in (FAULTS, PAIRS, LANGUAGES, STARTUP, BOARD, LOADERS, USES_FLOAT, STARTS)
        for found in table.values()
        for rule in found
    ),
    *(rule for _, _, found in CAPABILITIES.values() for rule in found),
    *(rule for _, found in FAULTY_LAYOUTS.values() for rule in found),
}
CAUSES = {"builds-in-own-areas", "image-equals-builds", "vectors-of-own-build"}
"""Rules that test_causes_in_image.py breaks."""


@pytest.mark.parametrize("rule", RULES)
def test_one_change_breaks_the_rule(rule: str) -> None:
    """The rule has a finding."""
    result = RULES[rule](rule)
    assert result.findings, [(each.where, each.reason) for each in result.not_checked]


def test_every_rule_is_broken_by_something_real() -> None:
    """No rule is left out, and none is broken twice."""
    assert {rule.name for rule in all_rules()} == {*RULES} | IN_TABLES | CAUSES
    assert not {*RULES} & IN_TABLES
