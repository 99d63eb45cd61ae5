"""The small device with the builds of ``testdata/contract``, and what its contract says."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

from built import built
from contract_builds import side, sides
from small_device import LINK, apply, build, layout, sampler_elf, station_elf
from tools import required_tool

from gemel.builds.build import Build
from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.checking.runner import RuleResult
from gemel.layout.reader import ReadLayout
from gemel.structs import replace

NAMED = 'symbols = ["link_frames"]'
BOOT = 'boot_symbol = { build = "station", symbol = "sampler_start_address" }'


def contract(*lines: str, more: Mapping[str, str] | None = None, add: str = "") -> ReadLayout:
    """The small device's layout whose contract says ``lines``."""
    return layout({NAMED: "\n".join(lines), **(more or {})}, add)


def types(*names: str, follow: bool = False) -> ReadLayout:
    """A contract that names types."""
    listed = ", ".join(f"'{name}'" for name in names)
    return contract(f"types = [{listed}]", f"follow_pointers = {str(follow).lower()}")


def of_sides(rule: str, read: ReadLayout, station: str = "station", sampler: str = "sampler") -> RuleResult:
    """What a rule says of two builds of ``testdata/contract``."""
    return apply(rule, read, handed=sides(station, sampler))


def checked(rule: str, read: ReadLayout, station: Build | None, sampler: Build | None) -> RuleResult:
    """What a rule says of the sound image with these builds at hand."""
    from small_device import joined

    handed = {"station": station, "sampler": sampler}
    image = joined(read, sides()).image
    return apply(rule, read, image, {name: each for name, each in handed.items() if each is not None})


def flat(name: str) -> Build:
    """The sampler or station as a build that is no ELF file, and tells nothing of symbols or types."""
    known = side(name, name)
    missing = tuple(
        f"{subject}: a raw binary holds bytes alone" for subject in ("symbols", "build attributes")
    )
    return replace(
        known, kind="bin", symbols=None, attributes=None, debug=None, sections=None, missing=missing
    )


SEEN = {"station": LINK, "sampler": LINK + 0x1000_0000}
"""Where each build's core sees the shared RAM."""


@cache
def compiled(name: str, source: str, *options: str, language: str = "c", library: str = "") -> Build:
    """The build ``name``, its symbols and types those of a source with the section ``.link`` in shared RAM.

    The compiler is GCC for both languages, or what ``options`` names first as ``compiler=PROGRAM``.
    ``library`` is the source of another unit, always with debug information; the own one has none with ``-g0``.
    """
    compiler = "arm-none-eabi-gcc"
    if options and options[0].startswith("compiler="):
        compiler, options = options[0].partition("=")[2], options[1:]
    program, linker = required_tool(compiler), required_tool("arm-none-eabi-gcc")
    files, commands = {}, []
    for unit, text, more in (("made", source, options), ("library", library, (*options, "-g"))):
        files[unit] = f"#include <stdint.h>\n{text}\n"
        made = [program, "-x", language, "-g", "-ffreestanding", *more, "-c", unit, "-o", f"{unit}.o"]
        commands += [made] if text else []
    linked = [linker, "-nostdlib", "-Wl,-e0", f"-Wl,--section-start=.link={SEEN[name]:#x}"]
    linked += ["-Wl,--no-enum-size-warning", *(made[-1] for made in commands), "-o", "made.elf"]
    data = built(files, *commands, linked, made="made.elf")
    read = read_build(BytesSource(data, "made.elf"), name=name, file="made.elf")
    return replace(side(name, name), symbols=read.symbols, debug=read.debug)


def of_sources(rule: str, read: ReadLayout, station: str, sampler: str, language: str = "c") -> RuleResult:
    """What a rule says of two builds, each of its own source."""
    return checked(
        rule,
        read,
        compiled("station", station, "-mthumb", "-march=armv8-m.main", language=language),
        compiled("sampler", sampler, "-mthumb", "-march=armv6-m", language=language),
    )


def written(station: bytes | None = None, sampler: bytes | None = None) -> dict[str, Build]:
    """Builds made by the tests' own ELF writer."""
    return {
        "station": build("station", station or station_elf()),
        "sampler": build("sampler", sampler or sampler_elf()),
    }
