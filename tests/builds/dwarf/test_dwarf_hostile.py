"""Debug information that is wrong: a reason, never another exception, and no time without end."""

from __future__ import annotations

import struct
import zlib

import pytest
from contract_builds import C_TYPES, CPP_TYPES, types_in
from dwarf_writer import COMPRESSED, Debug, Entry, basic, debug_elf, elf_with, member, record, types_of
from hypothesis import given, settings
from seconds import within
from strategies import mutated_debug_files

from gemel.builds.dwarf.constants import At, Form, Tag
from gemel.builds.dwarf.fault import DebugUnreadable
from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.checking.contract.comparison import TypeComparison
from gemel.checking.contract.picture import side_by_side
from gemel.checking.contract.rows import rows_of
from gemel.errors import BuildError


def _header(kind: int, size: int) -> bytes:
    return struct.pack("<III", kind, size, 1)


SOUND = Debug(basic("n"), record("r", 4)).sections()
INFO, ABBREV = SOUND[".debug_info"], SOUND[".debug_abbrev"]
COMPRESSED_INFO = zlib.compress(INFO)

FAULTS: dict[str, tuple[dict[str, bytes], dict[str, int], str]] = {
    "zstd": ({".debug_info": _header(2, 9) + b"x"}, {".debug_info": COMPRESSED}, "compressed with zstd"),
    "unknown compression": ({".debug_info": _header(7, 9)}, {".debug_info": COMPRESSED}, "type 7"),
    "header of compression cut": ({".debug_info": b"\1\0\0"}, {".debug_info": COMPRESSED}, "too short"),
    "no stream": (
        {".debug_info": _header(1, 9) + b"zz"},
        {".debug_info": COMPRESSED},
        "cannot be decompressed",
    ),
    "a bomb": (
        {".debug_info": _header(1, len(INFO)) + zlib.compress(bytes(1 << 22))},
        {".debug_info": COMPRESSED},
        "has not the",
    ),
    "a promised bomb": (
        {".debug_info": _header(1, 1 << 30) + COMPRESSED_INFO},
        {".debug_info": COMPRESSED},
        "bytes decompressed, more than",
    ),
    "unit past the end": ({".debug_info": INFO[:-1]}, {}, "reaches past the end"),
    "header of a unit cut": ({".debug_info": INFO + b"\1\0"}, {}, "is cut"),
    "version 6": ({".debug_info": INFO[:4] + b"\6" + INFO[5:]}, {}, "DWARF version 6"),
    "reserved length": ({".debug_info": b"\xf1\xff\xff\xff" + INFO[4:]}, {}, "reserved length"),
    "addresses of 3 bytes": ({".debug_info": INFO[:7] + b"\3" + INFO[8:]}, {}, "addresses of 3 bytes"),
    "abbreviations elsewhere": (
        {".debug_info": INFO[:8] + b"\xff" + INFO[9:]},
        {},
        "abbreviations at offset",
    ),
    "abbreviations without end": ({".debug_abbrev": ABBREV[:-4]}, {}, "does not keep the format"),
    "no abbreviations": ({".debug_abbrev": b"\0"}, {}, "abbreviation that its unit has not"),
    "a form that is none": (
        {".debug_abbrev": ABBREV.replace(b"\x03\x0e", b"\x03\x5e")},
        {},
        "does not define",
    ),
    "an indirect form": ({".debug_abbrev": ABBREV.replace(b"\x0b\x0f", b"\x0b\x16")}, {}, "DW_FORM_indirect"),
}


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_is_told_with_its_reason(name: str) -> None:
    """Each fault of the sections is refused with the reason, as a BuildError that names the file."""
    replace, flags, reason = FAULTS[name]
    with pytest.raises(DebugUnreadable, match=r"station\.elf") as error:
        types_of(elf_with({**SOUND, **replace}, flags)).named("struct r")
    assert reason in error.value.reason


def test_the_sound_sections_are_read() -> None:
    """The sections that the faults above are made of are sound, compressed or not."""
    assert len(types_of(elf_with(SOUND)).named("struct r")) == 1
    sections = {**SOUND, ".debug_info": _header(1, len(INFO)) + COMPRESSED_INFO}
    assert len(types_of(elf_with(sections, {".debug_info": COMPRESSED})).named("struct r")) == 1


def test_the_reason_is_kept() -> None:
    """Asked again, an unreadable file gives the same reason without reading once more."""
    build = read_build(BytesSource(elf_with({})), name="station", file="station.elf")
    assert build.debug is not None
    reasons = []
    for _ in range(2):
        with pytest.raises(DebugUnreadable) as error:
            build.debug.types()
        reasons.append(error.value.reason)
    assert reasons == ["the file has no debug information (.debug_info)"] * 2


def test_circles_end() -> None:
    """Names that stand for each other, and records inside themselves, end with a reason or an answer."""
    one = Entry(Tag.TYPEDEF, {At.NAME: "one", At.TYPE: (Form.REF4, 0)})
    two = Entry(Tag.TYPEDEF, {At.NAME: "two", At.TYPE: one})
    one.attributes = {At.NAME: "one", At.TYPE: two}
    inner = record("inner", 8)
    inner.children = [member("first", inner), member("second", inner)]
    types = types_of(debug_elf(one, two, inner))
    with pytest.raises(DebugUnreadable, match="circles"):
        types.resolved(types.named("one")[0])
    (reference,) = types.named("struct inner")
    assert TypeComparison(types, types, True).same(reference, reference)
    assert types.size_of(reference) == 8


def test_deep_types_are_refused() -> None:
    """Records inside each other beyond a limit are refused, however many."""
    inner = record("r0", 4)
    entries = [inner]
    for number in range(1, 200):
        inner = record(f"r{number}", 4, member("inside", inner))
        entries.append(inner)
    types = types_of(debug_elf(*entries))
    left = types_of(debug_elf(*entries))
    with pytest.raises(BuildError, match="inside each other"):
        TypeComparison(left, types, False).same(left.named("struct r199")[0], types.named("struct r199")[0])


def test_deep_namespaces_are_refused() -> None:
    """Namespaces inside each other beyond a limit are refused."""
    inner = record("r", 4)
    for _ in range(100):
        inner = Entry(Tag.NAMESPACE, {At.NAME: "n"}, [inner])
    with pytest.raises(DebugUnreadable, match="namespaces inside each other"):
        types_of(debug_elf(inner)).named("struct r")


def test_doubling_types_take_no_exponential_time() -> None:
    """Fifty records that each hold the last one twice are compared and shown in well under a second each."""

    def doubled(size: int) -> list[Entry]:
        entries = [record("r0", size)]
        for number in range(1, 50):
            parts = [member("a", entries[-1]), member("b", entries[-1], 4)]
            entries.append(record(f"r{number}", 8, *parts))
        return entries

    left, right = types_of(debug_elf(*doubled(4))), types_of(debug_elf(*doubled(5)))
    comparison = TypeComparison(left, right, True)
    with within(2):
        references = left.named("struct r49")[0], right.named("struct r49")[0]
        assert not comparison.same(*references)
        rows_of(comparison, *references, "struct r49")


@settings(max_examples=400, deadline=None)
@given(mutated_debug_files())
def test_mutated_debug_information_gives_types_or_a_reason(case: tuple[bytes, bool]) -> None:
    """Whatever bytes change in debug sections: every question ends with an answer or a BuildError."""
    data, cpp = case
    sound = types_in("cpp-sampler" if cpp else "sampler")
    try:
        types = types_of(data)
    except BuildError:
        return
    for spelling in CPP_TYPES if cpp else C_TYPES:
        try:
            for reference in types.named(spelling)[:2]:
                comparison = TypeComparison(sound, types, True)
                known = sound.named(spelling)[0]
                comparison.same(known, reference)
                lines = side_by_side(rows_of(comparison, known, reference, spelling), ("a", "b"))
                assert max(map(len, lines)) <= 68
            types.constants("LINK_DEPTH")
            types.near_names(spelling)
            for reference in types.variables("link_ring"):
                types.declared(reference, "link_ring")
        except BuildError:
            pass
