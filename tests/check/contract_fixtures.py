"""The small device with the builds of ``testdata/contract``, and what its contract says."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from contract_builds import side, sides
from small_device import apply, build, layout, sampler_elf, station_elf

from gemel.builds.build import Build
from gemel.check.runner import RuleResult
from gemel.layout.reader import ReadLayout

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


def written(station: bytes | None = None, sampler: bytes | None = None) -> dict[str, Build]:
    """Builds made by the tests' own ELF writer."""
    return {
        "station": build("station", station or station_elf()),
        "sampler": build("sampler", sampler or sampler_elf()),
    }
