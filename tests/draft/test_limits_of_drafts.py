"""Limits of what a draft is made of and what it holds, each at both its sides."""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from both_sides import Limits, assert_both_sides
from device_descriptions import svd
from dwarf_writer import Entry, debug_elf, record, types_of
from elf_writer import SegmentSpec, SymbolSpec, elf
from records import tide_gauge_record
from small_device import (
    SAMPLER,
    STATION,
    STATION_RAM,
    build,
    builds,
    sampler_elf,
    station_elf,
    vector_words,
)

from gemel.builds.dwarf.constants import At, Tag
from gemel.draft.cores import guess_primary
from gemel.draft.document_devices import write_devices
from gemel.draft.document_proofs import _named, shared_types
from gemel.draft.drafting import draft
from gemel.draft.evidence import Evidence, can_be_named
from gemel.draft.from_image import record_of
from gemel.draft.guesses import AreaGuess
from gemel.draft.page import Page
from gemel.draft.pieces import PurposeSpan
from gemel.draft.places import _area, _Names
from gemel.draft.regions import read_link_map, regions_by_symbols
from gemel.draft.shared import Shared
from gemel.draft.svd import NotSvd, Peripheral, Register, read_svd
from gemel.draft.vector_remarks import before_vectors
from gemel.draft.vectors import MAX_RAM, _in_ram
from gemel.errors import UsageProblem
from gemel.image.sparse import SparseBytes
from gemel.record.format import MARK
from gemel.record.record import encode
from gemel.spans import ADDRESS_SPACE, Span
from gemel.workflows.drafting import _link_maps


def _seen(name: str, data: bytes) -> Evidence:
    return Evidence(build(name, data))


def _types(count: int) -> bool:
    """Whether a contract names all types of ``count`` shared symbols."""
    types = [record(f"r{number}", 4) for number in range(count)]
    variables = [Entry(Tag.VARIABLE, {At.NAME: f"v{number}", At.TYPE: of}) for number, of in enumerate(types)]
    data = debug_elf(*types, *variables)
    symbols = tuple(f"v{number}" for number in range(count))
    shared = Shared(Span(STATION_RAM, 4 * count), symbols, ("station", "sampler"))
    return len(shared_types(shared, [_seen("station", data), _seen("sampler", data)]).names) == count


def _levels(count: int) -> bool:
    """Whether the type below ``count - 1`` names is found."""
    entries = [record("r", 4)]
    for number in range(count - 1):
        entries.append(Entry(Tag.TYPEDEF, {At.NAME: f"name{number}", At.TYPE: entries[-1]}))
    types = types_of(debug_elf(*entries))
    return _named(types, types.named(f"name{count - 2}")[0]) == "struct r"


def _hits(count: int) -> bool:
    """Whether all of ``count`` words are seen that are the address of the other build's vectors."""
    station = station_elf(boot_constant=0x1234, code=struct.pack("<I", SAMPLER) * count)
    found = guess_primary([_seen("station", station), _seen("sampler", sampler_elf())])
    return (found.name, len(found.constants)) == ("station", count)


def _devices(*peripherals: Peripheral) -> str:
    words = b"".join(struct.pack("<I", each.span.start) for each in peripherals)
    page = Page()
    made = builds(station=station_elf(code=words))
    write_devices(page, draft(made), peripherals, "gauge.svd")
    return page.text()


def _registers(count: int, *, names: int = 1, kept: int = 1, after_read: int = 1) -> str:
    """What a draft says of ``count`` registers, of so many names."""
    registers = [
        Register(f"R{number % names}", 0x6000_0000 + 4 * number, 32, 1, True, kept, 0, after_read)
        for number in range(count)
    ]
    return _devices(Peripheral("TIMER", Span(0x6000_0000, 0x1000), tuple(registers)))


def _memories(count: int) -> bool:
    spans = [Span(0x6000_0000 + 0x10_0000 * number, 0x1000) for number in range(count)]
    text = _devices(*(Peripheral(f"T{number}", span, ()) for number, span in enumerate(spans)))
    return f"devices-{count}]" in text and "left out" not in text


def _records(count: int) -> bool:
    """Whether the last of ``count`` places with the mark of a record is looked at."""
    image = SparseBytes()
    for number in range(count - 1):
        image.write(STATION + 0x1000 * number, MARK + bytes(64))
    image.write(STATION + 0x1000 * count, encode(tide_gauge_record()))
    try:
        return bool(record_of(image, "a.hex"))
    except UsageProblem:
        return False


def _stretches(count: int) -> bool:
    """Whether builds may be scattered over so many memories."""
    segments = [SegmentSpec(0x0100_0000 * number, bytes(range(64))) for number in range(1, count + 1)]
    try:
        return len(draft({"station": build("station", elf(segments))}).places.memories) == count
    except UsageProblem:
        return False


def _least_area(use: str) -> Callable[[int], bool]:
    def is_least(size: int) -> bool:
        """Whether an area around so many bytes is no larger than the least one, 1 KiB or what is set."""
        piece = PurposeSpan(Span(STATION, size), use, "station")
        return _area(piece, None, 0, ADDRESS_SPACE, _Names(), 1, None).span.size == 1024

    return is_least


def _link_map(size: int) -> bool:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "station.map"
        path.write_bytes(b" " * size)
        with pytest.raises(UsageProblem) as caught:
            _link_maps((str(path),), {})
    return "too large" not in caught.value.problems[0].what


def _smaller_regions_left_out(size: int) -> bool:
    """Whether a region of so many bytes is none: in a map, in what the linker prints, by symbols."""
    table = f"Memory Configuration\n\nName Origin Length Attributes\nFLASH 0x08000000 {size:#x} xr\n\n"
    usage = (
        "Memory region         Used Size  Region Size  %age Used\n"
        f"           FLASH:         16 B         {size} B      6.25%\n"
    )
    symbols = [
        SymbolSpec("__flash_start", STATION, kind="notype"),
        SymbolSpec("__flash_size", size, kind="notype"),
    ]
    found = [
        read_link_map(table, "a.map").regions,
        read_link_map(usage, "a.map").sizes,
        regions_by_symbols(_seen("station", elf([SegmentSpec(STATION, bytes(64))], symbols=symbols))),
    ]
    assert len({bool(each) for each in found}) == 1, found
    return not found[0]


def _is_svd(data: bytes) -> bool:
    try:
        return bool(read_svd(data))
    except NotSvd:
        return False


def _svd_of(registers: str, more: str = "") -> bytes:
    return svd(
        "<peripheral><name>T</name><baseAddress>0x40000000</baseAddress><addressBlock><offset>0</offset>"
        f"<size>0x100</size><usage>registers</usage></addressBlock><registers>{registers}</registers>"
        f"</peripheral>{more}"
    )


def _register(name: str = "R", more: str = "") -> str:
    return f"<register><name>{name}</name><addressOffset>0</addressOffset>{more}</register>"


def _array(count: int) -> bool:
    return _is_svd(_svd_of(_register("R%s", f"<dim>{count}</dim><dimIncrement>4</dimIncrement>")))


def _nested(depth: int) -> bool:
    """Whether elements may be so deep: of them six are around what is nested here."""
    more = depth - 6
    return _is_svd(_svd_of(_register("R", "<fields>" + "<x>" * more + "</x>" * more + "</fields>")))


def _svd_bytes(size: int) -> bool:
    return _is_svd(_svd_of(_register()).ljust(size))


def _sections(count: int) -> bool:
    """Whether all sections before a vector table are named."""
    base = STATION + 0x400
    table = vector_words(STATION_RAM + 0x2000, base + 129)
    front = SegmentSpec(
        STATION, bytes(range(1, 65)), sections=tuple((f".s{n}", STATION + 4 * n, 4) for n in range(count))
    )
    text = SegmentSpec(base, table + bytes(range(64)))
    seen = _seen("station", elf([front, text], symbols=[SymbolSpec("vectors", base, len(table), "object")]))
    area = AreaGuess("station-code", Span(STATION, 0x1000), "code", "station", "")
    return len(list(before_vectors(seen, area))) == count


LIMITS: Limits = {
    "draft.document_proofs.MAX_TYPES": (3, _types),
    "draft.document_proofs.MAX_LEVELS": (3, _levels),
    "draft.cores.MAX_HITS": (3, _hits),
    "draft.document_devices.MAX_ENTRIES": (3, lambda count: "more registers" not in _registers(count)),
    "draft.document_devices.MAX_SEQUENCES": (
        3,
        lambda count: "more registers" not in _registers(count, kept=0, after_read=0),
    ),
    "draft.document_devices.MAX_NAMES": (
        3,
        lambda count: "more names" not in _registers(count, names=count),
    ),
    "draft.document_devices.MAX_MEMORIES": (2, _memories),
    "draft.evidence.MAX_NAME_BYTES": (20, lambda size: can_be_named("x" * size)),
    "draft.from_image.MAX_RECORDS": (3, _records),
    "draft.places.MAX_MEMORIES": (3, _stretches),
    "draft.places.MIN_FLASH_SIZE": (1024, _least_area("stored")),
    "draft.places.MIN_RAM_SIZE": (1024, _least_area("runs")),
    "draft.regions.MAX_MAP_BYTES": (20, _link_map),
    "draft.svd.MAX_BYTES": (1000, _svd_bytes),
    "draft.svd.MAX_DEPTH": (9, _nested),
    "draft.svd.MAX_REGISTERS": (
        3,
        lambda count: _is_svd(_svd_of("".join(_register(f"R{number}") for number in range(count)))),
    ),
    "draft.svd.MAX_INDEXES": (3, _array),
    "inspection.before_vectors.MAX_SECTIONS": (3, _sections),
}


@pytest.mark.parametrize("name", LIMITS)
def test_both_sides(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """What a limit allows is in the draft, and one more is refused or left out."""
    assert_both_sides(monkeypatch, LIMITS, name)


def test_the_least_region(monkeypatch: pytest.MonkeyPatch) -> None:
    """A region of the least size counts, one of a byte less does not."""
    monkeypatch.setattr("gemel.draft.regions.MIN_SIZE", 100)
    assert _smaller_regions_left_out(99)
    assert not _smaller_regions_left_out(100)


@pytest.mark.parametrize(("past", "is_ram"), [(4, True), (0, False)])
def test_the_largest_ram_at_addresses_of_code(past: int, is_ram: bool) -> None:
    """A stack may end so far after the start of data that is copied there, and no further."""
    ram = 0x1000_0000
    own = build(
        "station",
        elf([SegmentSpec(0x0800_0000, bytes(64)), SegmentSpec(0x0800_0040, bytes(8), run_address=ram)]),
    )
    assert _in_ram(own, ram + MAX_RAM - past) == is_ram


@pytest.mark.parametrize(
    ("names", "found"),
    [
        (("__flash", "__flash_size"), True),  # picolibc's linker script
        (("flash", "flash_end"), True),
        (("__flash",), False),
        (("__flash_size",), False),
        (("flash_driver", "flash_size"), False),
        (("frame", "frame_size"), False),
    ],
)
def test_a_region_by_the_name_of_its_start_alone(names: tuple[str, ...], found: bool) -> None:
    """The name of a region is its start where another symbol has its size or end; no variable's name is one."""
    values = {"flash_end": STATION + 0x2_0000}
    symbols = [
        SymbolSpec(name, values.get(name, 0x2_0000 if name.endswith("size") else STATION), kind="notype")
        for name in names
    ]
    seen = _seen("station", elf([SegmentSpec(STATION, bytes(64))], symbols=symbols))
    assert [each.span for each in regions_by_symbols(seen)] == [Span(STATION, 0x2_0000)] * found
    objects = [replace(symbol, kind="object") for symbol in symbols]
    seen = _seen("station", elf([SegmentSpec(STATION, bytes(64))], symbols=objects))
    assert regions_by_symbols(seen) == []
