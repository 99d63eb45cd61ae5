"""``copy-constants-agree``: source, destination and length of the copy of a build."""

from __future__ import annotations

import struct

from elf_writer import SegmentSpec, SymbolSpec
from gauge_builds import gauge, gauge_builds
from ram_and_start import of
from small_device import (
    RAM_OF_SAMPLER,
    SAMPLER,
    SAMPLER_RUN,
    STATION,
    TODAY,
    apply,
    builds,
    findings,
    layout,
    sampler_elf,
    station_elf,
)
from vector_fixtures import copied_sampler

from gemel.checking.runner import check
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join
from gemel.spans import Span, format_address

RULE = "copy-constants-agree"
PLACE = STATION + 0x400
STORED = 0x124
"""Bytes of the copied sampler: 128 of vectors, 128 of code, 36 of its build id note."""
COPIED_BY = (
    'copied_by = { build = "station", source = "copy_from", destination = "copy_to", length = "copy_size" }'
)


def _layout(copied_by=COPIED_BY, more=()):
    stored = 'stored_in = "sampler-code"'
    return layout({stored: f'{stored}\nruns_in = "sampler-run"\n{copied_by}', **dict(more)})


def _copy(
    source=SAMPLER, target=SAMPLER_RUN, size=STORED, read=None, keep=("station", "sampler"), sampler=None
):
    """The small device whose station copies the sampler by these three constants."""
    words = SegmentSpec(PLACE, struct.pack("<3I", source, target, size), flags="r")
    names = ("copy_from", "copy_to", "copy_size")
    symbols = tuple(SymbolSpec(name, PLACE + 4 * at, 4, "object") for at, name in enumerate(names))
    read = read or _layout()
    handed = builds(station_elf(extra=(words,), symbols=symbols), sampler or copied_sampler())
    image = join(read, handed).image
    return apply(RULE, read, image, {name: handed[name] for name in keep})


def _by_linker(source=SAMPLER, size=STORED):
    """The same by absolute symbols of the station's linker script."""
    symbols = (
        SymbolSpec("copy_from", source, kind="notype", section=0xFFF1),
        SymbolSpec("copy_size", size, kind="notype", section=0xFFF1),
    )
    read = _layout('copied_by = { build = "station", source = "copy_from", length = "copy_size" }')
    handed = builds(station_elf(symbols=symbols), copied_sampler())
    return apply(RULE, read, None, handed)


_VIEWS = "views = { sampler = 0x3000_0000 }"
ALIASED = ((_VIEWS, f"{_VIEWS}\naliases = [0x2200_0000]"),)

IN_WORDS = _layout(COPIED_BY.replace("}", ", unit = 4 }"))
IN_PAGES = _layout(COPIED_BY.replace("}", ', unit = "1 KiB" }'))

BREAKS = {
    "too few words": lambda: _copy(size=STORED // 4 - 1, read=IN_WORDS),
    "bytes where words are stated": lambda: _copy(size=0xC00, read=IN_WORDS),
    "too many pages": lambda: _copy(size=4, read=IN_PAGES),
    "words where nothing is stated": lambda: _copy(size=STORED // 4),
    "too few bytes": lambda: of(RULE, "copying-station-copy-short"),
    "more bytes than the area has": lambda: of(RULE, "copying-station-copy-long"),
    "to another place": lambda: of(RULE, "copying-station-copy-to-elsewhere"),
    "from another place": lambda: of(RULE, "copying-station-copy-from-elsewhere"),
    "one byte too few": lambda: _copy(size=STORED - 1),
    "one byte more than has room": lambda: _copy(size=0xC01),
    "to where the secondary sees it": lambda: _copy(target=0x3000_3400),
    "never written": lambda: _copy(0xFFFF_FFFF, 0xFFFF_FFFF, 0xFFFF_FFFF),
    "the other build is only in the image": lambda: _copy(size=STORED - 1, keep=("station",)),
    "by symbols of the linker script": lambda: _by_linker(SAMPLER + 8, 0),
}
KEEPS = {
    "as many words as are stored": lambda: _copy(size=STORED // 4, read=IN_WORDS),
    "as many words as the area has": lambda: _copy(size=0x300, read=IN_WORDS),
    "a page": lambda: _copy(size=1, read=IN_PAGES),
    "all pages of the area": lambda: _copy(size=3, read=IN_PAGES),
    "exactly the bytes that are stored": lambda: _copy(),
    "as many as the area has": lambda: _copy(size=0xC00),
    "the other build is only in the image": lambda: _copy(keep=("station",)),
    "by an alias": lambda: _copy(target=0x2200_3400, read=_layout(more=ALIASED)),
    "by symbols of the linker script": _by_linker,
    "sound": lambda: of(RULE, "copying-station"),
    "the tide gauge, by stamps": lambda: apply(
        RULE, gauge("copied"), join(gauge("copied"), gauge_builds("copied")).image, gauge_builds("copied")
    ),
}


def test_a_length_in_words_has_a_step() -> None:
    """Where words would fit, and nothing states a unit; a length of which four times is too little has none."""
    (words,) = findings(BREAKS["words where nothing is stated"]())
    assert words.next_step == "if it counts words, state unit = 4 in copied_by of [build.sampler]"
    (few,) = findings(_copy(size=STORED // 4 - 1))
    (stated,) = findings(BREAKS["too few words"]())
    assert not few.next_step
    assert not stated.next_step
    assert stated.found.startswith("288 bytes, less than")


def test_a_copy_to_another_place_is_one_finding() -> None:
    """That the constant, the length and the address at which the core is released do not fit is one cause."""
    words = SegmentSpec(PLACE, struct.pack("<3I", SAMPLER, SAMPLER_RUN + 0x100, 0xC00), flags="r")
    names = ("copy_from", "copy_to", "copy_size")
    symbols = tuple(SymbolSpec(name, PLACE + 4 * at, 4, "object") for at, name in enumerate(names))
    station = station_elf(extra=(words,), symbols=symbols, boot_constant=0x3000_3500)
    handed = builds(station, copied_sampler())
    result = check(Inspection(_layout(), join(_layout(), handed).image, handed), TODAY)
    errors = [(rule.name, finding.where) for rule, finding in result.open_findings("error")]
    assert errors == [(RULE, f"build station, constant copy_to at {format_address(PLACE + 4)}")]


def test_reasons() -> None:
    """Without the primary's file, without such a symbol and without the build in the image: each says so."""
    without_file = _copy(keep=())
    assert {each.reason for each in without_file.not_checked} == {"needs the ELF file: station=FILE"}
    assert len(without_file.not_checked) == 3
    read = _layout('copied_by = { build = "station", length = "copy_sise" }')
    (unknown,) = _copy(read=read).not_checked
    assert "no such symbol" in unknown.reason
    assert "copy_size" in unknown.reason
    handed = builds(sampler=copied_sampler())
    image = join(_layout(), handed).image
    image.erase(Span(SAMPLER, 0x1000))
    image.erase(Span(STATION + 0x2800, 0x400))
    missing = apply(RULE, _layout(), image, {"station": handed["station"]})
    assert {each.reason for each in missing.not_checked} == {"nothing of the build was found in the image"}


def test_the_same_name_twice_is_no_constant() -> None:
    """Two absolute symbols of one name and different values are not guessed between."""
    symbols = tuple(
        SymbolSpec("copy_size", value, kind="notype", section=0xFFF1, binding="local") for value in (1, 2)
    )
    read = _layout('copied_by = { build = "station", length = "copy_size" }')
    result = apply(RULE, read, None, builds(station_elf(symbols=symbols), copied_sampler()))
    assert result.status == "not checked"
    assert "2 symbols of this name" in result.not_checked[0].reason


def test_last_bytes_that_are_as_erased_are_copied_too() -> None:
    """The build's own file shows where it ends, be its last bytes 0xFF; the image alone does not."""
    sampler = sampler_elf(run=RAM_OF_SAMPLER + 0x3400, build_id=b"\xff" * 20)
    assert _copy(size=STORED - 20, sampler=sampler).status == "broken"
    assert _copy(size=STORED, sampler=sampler).status == "holds"
