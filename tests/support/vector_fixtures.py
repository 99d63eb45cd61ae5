"""The small device in other shapes, for the rules about vector tables and start."""

from __future__ import annotations

import struct
from collections.abc import Mapping

from elf_writer import SegmentSpec, SymbolSpec
from small_device import (
    FLASH,
    RAM,
    RAM_OF_SAMPLER,
    SAMPLER,
    STATION,
    apply,
    build,
    builds,
    joined,
    layout,
    sampler_elf,
    station_elf,
)

from gemel.builds.build import Build
from gemel.checking.runner import RuleResult
from gemel.image.intel_hex import encode
from gemel.image.sparse import SparseBytes
from gemel.layout.reader import ReadLayout

RECORD_TABLE = '[record]\narea = "record"\nvendor = "harbour.example"\nclass = "small device"\n'
STAMP_TABLE = """\
[[stamp]]
name = "station-length"
at = { build = "station", symbol = "image_length" }
width = 4
value = { size_of = "station" }
"""
BOOT_SYMBOL = 'boot_symbol = { build = "station", symbol = "sampler_start_address" }\n'
STATION_CORE = 'role = "primary"\narchitecture = "armv8-m.main"\n'
SAMPLER_CORE = 'role = "secondary"\narchitecture = "armv8-m.main"\n'
SAMPLER_STORED = 'stored_in = "sampler-code"'
FLASH_UNIT = "write_unit = 8\n"

RUN = RAM_OF_SAMPLER + 0x3400
"""Where the copied sampler runs, as it sees that."""

HIGH = FLASH + 0x3000
"""4 KiB of flash in no area of the sound layout."""

HIGH_AREA = 'high-code = { memory = "flash", offset = "12 KiB", size = "4 KiB", purpose = "code" }\n'
SPARE_AREA = 'spare = { memory = "flash"'


def of(
    rule: str,
    *,
    station: bytes | None = None,
    sampler: bytes | None = None,
    read: ReadLayout | None = None,
    more: Mapping[str, bytes] | None = None,
) -> RuleResult:
    """What the rule says of the join of these ELF files (``more``: of further builds), all at hand."""
    handed = builds(station, sampler) | {name: build(name, data) for name, data in (more or {}).items()}
    return apply(rule, read, None, handed)


def alone(
    rule: str,
    *,
    station: bytes | None = None,
    sampler: bytes | None = None,
    read: ReadLayout | None = None,
    keep: tuple[str, ...] = (),
) -> RuleResult:
    """The same with no build at hand but those in ``keep``."""
    handed = builds(station, sampler)
    image = joined(read, handed).image
    return apply(rule, read, image, {name: handed[name] for name in keep})


def changed(rule: str, words: Mapping[int, int]) -> RuleResult:
    """What the rule says after words of the sound image, by address, were changed behind the join's back."""
    image = joined().image
    for address, word in words.items():
        image.write(address, struct.pack("<I", word))
    return apply(rule, image=image)


def without_record(replace: Mapping[str, str] | None = None) -> ReadLayout:
    """The layout without a record, so that the image alone says nothing of its builds."""
    return layout({RECORD_TABLE: "", **(replace or {})})


def copied_layout() -> ReadLayout:
    """The sampler is stored in flash and copied to RAM, where it runs."""
    return layout({SAMPLER_STORED: f'{SAMPLER_STORED}\nruns_in = "sampler-run"'})


def copied_sampler(words: Mapping[int, int] | None = None, run: int = RUN) -> bytes:
    """The sampler for that layout."""
    return sampler_elf(run=run, words=words)


def aliased_layout() -> ReadLayout:
    """Every core sees flash at address 0 too."""
    return layout({FLASH_UNIT: f"{FLASH_UNIT}aliases = [0x0000_0000]\n"})


def aliased_builds() -> dict[str, bytes]:
    """Both builds linked for that alias."""
    return {
        "station": station_elf(base=STATION - FLASH, boot_constant=SAMPLER - FLASH),
        "sampler": sampler_elf(base=SAMPLER - FLASH),
    }


def viewed_layout() -> ReadLayout:
    """The sampler sees flash at 0x0800_0000 instead."""
    return layout({FLASH_UNIT: f"{FLASH_UNIT}views = {{ sampler = 0x0800_0000 }}\n"})


def viewed_builds(boot_constant: int = 0x0800_1000) -> dict[str, bytes]:
    """Both builds for that view."""
    return {
        "station": station_elf(boot_constant=boot_constant),
        "sampler": sampler_elf(base=0x0800_1000),
    }


def two_station_builds(replace: Mapping[str, str] | None = None) -> ReadLayout:
    """The station has a second build, ``application``, in flash behind all areas."""
    plan = '\n[build.application]\ncore = "station"\nstored_in = "high-code"\n'
    return layout({SPARE_AREA: HIGH_AREA + SPARE_AREA, **(replace or {})}, add=plan)


def application_elf(words: Mapping[int, int] | None = None) -> bytes:
    """The station's second build."""
    return station_elf(words=words, base=HIGH, ram=None, build_id=bytes(20))


LOGGER_CONTRACT = """
[contract.log]
area = "link"
boot_symbol = { build = "station", symbol = "logger_start_address" }
"""


def three_cores(contract: str = LOGGER_CONTRACT, replace: Mapping[str, str] | None = None) -> ReadLayout:
    """A third core, ``logger``, with code behind all areas and the RAM in which a copied sampler runs."""
    core = (
        '\n[core.logger]\nrole = "secondary"\narchitecture = "armv8-m.main"\n'
        'interrupts = 16\nram = ["sampler-run"]\n'
        '\n[build.logger]\ncore = "logger"\nstored_in = "high-code"\n'
    )
    changes = {
        SPARE_AREA: HIGH_AREA + SPARE_AREA,
        'ram = ["sampler-ram", "sampler-run"]': 'ram = ["sampler-ram"]',
        **(replace or {}),
    }
    return layout(changes, add=core + contract)


def logger_elf() -> bytes:
    """The build of the third core, which sees RAM where the station does."""
    return sampler_elf(base=HIGH, ram=None, words={0: RAM + 0x4000}, build_id=bytes(20))


def station_for_three(sampler_at: int = SAMPLER, logger_at: int = HIGH) -> bytes:
    """The station with a constant for each of the others."""
    place = STATION + 0x800
    return station_elf(
        boot_constant=sampler_at,
        extra=(SegmentSpec(place, struct.pack("<I", logger_at), flags="r"),),
        symbols=(SymbolSpec("logger_start_address", place, 4, "object"),),
    )


def hex_build(name: str, elf: bytes) -> Build:
    """The bytes of an ELF file as an Intel HEX file: no segments, symbols or entry point."""
    image = SparseBytes()
    for segment in build(name, elf).stored:
        image.write(segment.load_address, segment.data)
    return build(name, b"".join(encode(image)), f"{name}.hex")
