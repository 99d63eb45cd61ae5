"""A small two-core device for tests: its layout, its two builds, and the image that join makes of them.

Everything is small enough to be read byte by byte, and every part can be replaced:
``layout_text(replace={"interrupts = 16": "interrupts = 32"})``, ``station_elf(words={1: 0})``.

    flash 0x1000_0000, 16 KiB, erase block 1 KiB, write unit 8
        station-code 4 KiB | sampler-code 4 KiB | spare 2 KiB (reserved) | record 1 KiB | seal 1 KiB
    ram   0x2000_0000, 16 KiB, the sampler sees it at 0x3000_0000
        station-ram 8 KiB | sampler-ram 4 KiB | link 1 KiB (shared) | sampler-run 3 KiB
"""

from __future__ import annotations

import datetime
import struct
from collections.abc import Mapping
from functools import cache, lru_cache

from elf_writer import SegmentSpec, SymbolSpec, elf

from gemel.builds.build import Build
from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.checking.registry import rule_named
from gemel.checking.runner import RuleResult, check
from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import Joined, join
from gemel.layout.reader import ReadLayout, read_layout
from gemel.outcomes import Finding

FLASH, RAM, RAM_OF_SAMPLER = 0x1000_0000, 0x2000_0000, 0x3000_0000
STATION, SAMPLER = FLASH, FLASH + 0x1000
SPARE, RECORD, SEAL = FLASH + 0x2000, FLASH + 0x2800, FLASH + 0x2C00
STATION_RAM, SAMPLER_RAM, LINK, SAMPLER_RUN = RAM, RAM + 0x2000, RAM + 0x3000, RAM + 0x3400
STATION_ID, SAMPLER_ID = bytes(range(20)), bytes(range(100, 120))
RAM_FOR_STATION = SegmentSpec(STATION_RAM, b"", memory_size=0x400, flags="rw")
RAM_FOR_SAMPLER = SegmentSpec(RAM_OF_SAMPLER + 0x2000, b"", memory_size=0x200, flags="rw")
TODAY = datetime.date(2026, 11, 24)

LAYOUT = """\
format = 1
product = "small-device"
version = "1.2.3"
rollback = 7

[memory.flash]
kind = "flash"
start = 0x1000_0000
size = "16 KiB"
erase_block = "1 KiB"
write_unit = 8

[memory.ram]
kind = "ram"
start = 0x2000_0000
size = "16 KiB"
views = { sampler = 0x3000_0000 }

[memory.control]
kind = "device"
start = 0x5000_0000
size = "4 KiB"

[core.station]
role = "primary"
architecture = "armv8-m.main"
extensions = ["security"]
interrupts = 16
ram = ["station-ram"]

[core.sampler]
role = "secondary"
architecture = "armv8-m.main"
interrupts = 16
ram = ["sampler-ram", "sampler-run"]

[core.sampler.release]
vector_register = 0x5000_0000
control_register = 0x5000_0004
release_mask = 0x1
release_value = 0x1

[area]
station-code = { memory = "flash", offset = 0, size = "4 KiB", purpose = "code" }
sampler-code = { memory = "flash", offset = "4 KiB", size = "4 KiB", purpose = "code" }
spare = { memory = "flash", offset = "8 KiB", size = "2 KiB", purpose = "reserved" }
record = { memory = "flash", offset = "10 KiB", size = "1 KiB", purpose = "record" }
seal = { memory = "flash", offset = "11 KiB", size = "1 KiB", purpose = "seal" }
station-ram = { memory = "ram", offset = 0, size = "8 KiB", purpose = "data" }
sampler-ram = { memory = "ram", offset = "8 KiB", size = "4 KiB", purpose = "data" }
link = { memory = "ram", offset = "12 KiB", size = "1 KiB", purpose = "shared" }
sampler-run = { memory = "ram", offset = "13 KiB", size = "3 KiB", purpose = "code" }

[build.station]
core = "station"
stored_in = "station-code"

[build.sampler]
core = "sampler"
stored_in = "sampler-code"

[contract.link]
area = "link"
symbols = ["link_frames"]
boot_symbol = { build = "station", symbol = "sampler_start_address" }

[[stamp]]
name = "station-length"
at = { build = "station", symbol = "image_length" }
width = 4
value = { size_of = "station" }

[[checksum]]
name = "station-crc"
algorithm = "CRC-32/ISO-HDLC"
over = [{ area = "station-code", offset = 0, size = 0xFFC }]
at = { area = "station-code", offset = 0xFFC }

[record]
area = "record"
vendor = "harbour.example"
class = "small device"
"""


def layout_text(replace: Mapping[str, str] | None = None, add: str = "") -> str:
    """The layout with pieces of its text replaced (each must be there) and ``add`` behind it."""
    text = LAYOUT
    for old, new in (replace or {}).items():
        if old not in text:
            raise KeyError(f"not in the layout: {old!r}")
        text = text.replace(old, new)
    return text + add


def layout(replace: Mapping[str, str] | None = None, add: str = "") -> ReadLayout:
    """The layout, read."""
    return read_once(layout_text(replace, add).encode())


@lru_cache(maxsize=100)
def read_once(data: bytes) -> ReadLayout:
    """The layout in ``data``, which many tests in a row have from here; nothing can change it."""
    return read_layout(data, "small.toml")


def vector_words(
    stack: int, reset: int, interrupts: int = 16, words: Mapping[int, int] | None = None
) -> bytes:
    """A vector table of 16 + ``interrupts`` words for Armv8-M Mainline; ``words`` replaces single ones."""
    table = [stack, reset, *[reset + 8] * 6, 0, 0, 0, reset + 8, reset + 8, 0, reset + 8, reset + 8]
    table += [reset + 8] * interrupts
    for index, word in (words or {}).items():
        table[index] = word
    return struct.pack(f"<{len(table)}I", *table)


def note(build_id: bytes) -> bytes:
    """A build id note (gABI, note section; NT_GNU_BUILD_ID)."""
    return struct.pack("<III4s", 4, len(build_id), 3, b"GNU\0") + build_id


CODE = bytes(range(1, 129))
"""Stands for instructions; its first bytes are not erased and not zero."""


def station_elf(
    words: Mapping[int, int] | None = None,
    interrupts: int = 16,
    boot_constant: int = SAMPLER,
    code: bytes = CODE,
    extra: tuple[SegmentSpec, ...] = (),
    symbols: tuple[SymbolSpec, ...] = (),
    base: int = STATION,
    build_id: bytes | None = STATION_ID,
    ram: SegmentSpec | None = RAM_FOR_STATION,
) -> bytes:
    """The station's ELF file: vectors, code, two constants, its build id note; RAM for data."""
    table_size = 4 * (16 + interrupts)
    reset = base + table_size + 1
    table = vector_words(STATION_RAM + 0x2000, reset, interrupts, words)
    constants = struct.pack("<II", 0xFFFF_FFFF, boot_constant)
    id_note = note(build_id) if build_id else b""
    constants_at = base + len(table) + len(code)
    text = SegmentSpec(base, table + code + constants + id_note)
    return elf(
        [text, *([ram] if ram else []), *extra],
        symbols=[
            SymbolSpec("reset_handler", reset, 8),
            SymbolSpec("other_handler", reset + 8, 8),
            SymbolSpec("image_length", constants_at, 4, "object"),
            SymbolSpec("sampler_start_address", constants_at + 4, 4, "object"),
            SymbolSpec("link_frames", LINK, 64, "object"),
            *symbols,
        ],
        build_id=build_id,
        entry=reset,
    )


def sampler_elf(
    words: Mapping[int, int] | None = None,
    interrupts: int = 16,
    code: bytes = CODE,
    extra: tuple[SegmentSpec, ...] = (),
    base: int = SAMPLER,
    run: int | None = None,
    build_id: bytes | None = SAMPLER_ID,
    ram: SegmentSpec | None = RAM_FOR_SAMPLER,
) -> bytes:
    """The sampler's ELF file: vectors, code, its build id note; it sees RAM at its own address."""
    table_size = 4 * (16 + interrupts)
    reset = (base if run is None else run) + table_size + 1
    table = vector_words(RAM_OF_SAMPLER + 0x3000, reset, interrupts, words)
    text = SegmentSpec(base, table + code + (note(build_id) if build_id else b""), run_address=run)
    return elf(
        [text, *([ram] if ram else []), *extra],
        symbols=[
            SymbolSpec("reset_handler", reset, 8),
            SymbolSpec("other_handler", reset + 8, 8),
            SymbolSpec("link_frames", RAM_OF_SAMPLER + 0x3000, 64, "object"),
        ],
        build_id=build_id,
        entry=reset,
    )


def build(name: str, data: bytes, file: str | None = None) -> Build:
    """A build read from the bytes of its file."""
    file = file or f"{name}.elf"
    return read_build(BytesSource(data, file), name=name, file=file, raw_start=None)


def builds(station: bytes | None = None, sampler: bytes | None = None) -> dict[str, Build]:
    """Both builds, read; the sound ones unless others are given."""
    sound = _sound_elves()
    return {
        "station": build("station", station if station is not None else sound[0]),
        "sampler": build("sampler", sampler if sampler is not None else sound[1]),
    }


@cache
def _sound_elves() -> tuple[bytes, bytes]:
    return station_elf(), sampler_elf()


def joined(read: ReadLayout | None = None, handed: Mapping[str, Build] | None = None) -> Joined:
    """The join of both builds."""
    return join(read or layout(), handed or builds())


def apply(
    rule: str,
    read: ReadLayout | None = None,
    image: SparseBytes | None = None,
    handed: Mapping[str, Build] | None = None,
    **options: object,
) -> RuleResult:
    """What one rule says of an image (default: the sound join) with the builds in ``handed`` (default: both).

    ``handed={}`` checks the image alone.
    """
    read = read or layout()
    handed = builds() if handed is None else handed
    image = joined(read, handed or builds()).image if image is None else image
    found = rule_named(rule)
    if found is None:
        raise KeyError(f"no rule {rule}")
    subject = Inspection(read, image, handed, **options)  # type: ignore[arg-type]
    return check(subject, TODAY, [found]).results[0]


def findings(result: RuleResult) -> list[Finding]:
    """The findings of a result, waived or not."""
    return [judged.finding for judged in result.findings]


def rendering(result: RuleResult) -> str:
    """Everything a result says, as text for a stored rendering: one outcome a paragraph."""
    paragraphs = [f"{result.rule.name} [{result.severity}]: {result.status}"]
    for held in result.holds:
        paragraphs.append(f"holds: {held.where}")
    for finding in findings(result):
        paragraphs.append(
            "\n".join(
                line
                for line in (
                    f"finding: {finding.what}",
                    f"  where    {finding.where}",
                    f"  found    {finding.found}",
                    f"  expected {finding.expected}",
                    f"  next     {finding.next_step or result.rule.remedy}",
                    f"  parties  {', '.join(finding.parties)}",
                    f"  span     {finding.span}",
                    *(f"    {line}" for line in finding.lines),
                    *(f"  follows  {rule} of {place}" for rule, place in finding.follows_from),
                    *(["  explains all"] if finding.explains_all else []),
                )
            )
        )
    for missing in result.not_checked:
        paragraphs.append(f"not checked: {missing.where}: {missing.reason}")
    return "\n".join(paragraphs) + "\n"
