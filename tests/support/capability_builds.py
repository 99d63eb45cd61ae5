"""The builds and layouts of testdata/capabilities, for tests of rules about capabilities and security."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from pathlib import Path

from small_device import TODAY, apply
from small_device import build as build_of

from gemel.builds.build import Build
from gemel.checking.runner import RuleResult, RulesApplied, check
from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join
from gemel.layout.reader import ReadLayout, read_layout

FOLDER = Path(__file__).resolve().parents[2] / "testdata" / "capabilities"
BUILT = FOLDER / "built"
SOUND = {
    "mainline": {"station": "station", "sampler": "sampler"},
    "small-secondary": {"station": "station", "sampler": "small-sampler"},
    "security": {"keeper": "keeper", "caller": "caller"},
}
"""The sound builds of each layout: the file of each build, without ``.elf``."""

MAINLINE, SMALL, SECURITY = "mainline", "small-secondary", "security"
FAULTS: dict[str, tuple[str, dict[str, str], dict[str, int]]] = {
    "hard-float secondary": (
        MAINLINE,
        {"sampler": "sampler-hard-float"},
        {"float-demands-fit-core": 1},
    ),
    "soft-float calls, floating point inside": (
        MAINLINE,
        {"sampler": "sampler-softfp"},
        {"float-demands-fit-core": 1},
    ),
    "double precision": (
        MAINLINE,
        {"sampler": "sampler-double"},
        {"float-demands-fit-core": 1},
    ),
    "compiled for DSP": (
        MAINLINE,
        {"sampler": "sampler-dsp"},
        {"extension-demands-fit-core": 1},
    ),
    "compiled for vectors": (
        MAINLINE,
        {"sampler": "sampler-vector"},
        {"build-architecture-fits-core": 1},
    ),
    "one float instruction": (
        MAINLINE,
        {"sampler": "sampler-float-instruction"},
        {"instructions-fit-core": 1},
    ),
    "one float instruction that only a table leads to": (
        MAINLINE,
        {"sampler": "sampler-callback-instruction"},
        {"instructions-fit-core": 1},
    ),
    "one DSP instruction": (MAINLINE, {"sampler": "sampler-dsp-instruction"}, {"instructions-fit-core": 1}),
    "one vector instruction": (
        MAINLINE,
        {"sampler": "sampler-vector-instruction"},
        {"instructions-fit-core": 1},
    ),
    "one security instruction": (
        MAINLINE,
        {"sampler": "sampler-security-instruction"},
        {"instructions-fit-core": 1},
    ),
    "one divide instruction": (
        SMALL,
        {"sampler": "small-sampler-divide-instruction"},
        {"instructions-fit-core": 1},
    ),
    "one exclusive access": (
        SMALL,
        {"sampler": "small-sampler-exclusive-instruction"},
        {"instructions-fit-core": 1},
    ),
    "one compare and branch": (
        SMALL,
        {"sampler": "small-sampler-baseline-instruction"},
        {"instructions-fit-core": 1},
    ),
    "stale import library": (SECURITY, {"caller": "caller-stale"}, {"secure-entries-agree": 1}),
    "import library whose gateways all moved": (
        SECURITY,
        {"caller": "caller-stale-all"},
        {"secure-entries-agree": 1},
    ),
    "shared variables at a secure address": (
        SECURITY,
        {"keeper": "keeper-shares-as-secure"},
        {"memory-seen-through-one-alias": 1},
    ),
    "import library of another version": (
        SECURITY,
        {"caller": "caller-calls-missing"},
        {"secure-entries-agree": 1},
    ),
    "non-secure build in secure RAM": (
        SECURITY,
        {"caller": "caller-in-secure-ram"},
        {"builds-inside-own-attribution": 1},
    ),
    "non-secure build at secure addresses": (
        SECURITY,
        {"caller": "caller-secure-alias"},
        {"memory-seen-through-one-alias": 1},
    ),
    "veneers outside their area": (
        SECURITY,
        {"keeper": "keeper-veneers-outside", "caller": "caller-veneers-outside"},
        {"veneers-in-callable-area": 1},
    ),
    "veneers inside of a unit of 32 bytes": (
        SECURITY,
        {"keeper": "keeper-misaligned", "caller": "caller-misaligned"},
        {"veneers-aligned": 1},
    ),
    "inadvertent gateway": (
        SECURITY,
        {"keeper": "keeper-inadvertent-gateway"},
        {"callable-area-holds-only-veneers": 1},
    ),
    "constant among the veneers": (
        SECURITY,
        {"keeper": "keeper-crowded"},
        {"callable-area-holds-only-veneers": 1},
    ),
    "veneers of an older link": (
        SECURITY,
        {"keeper": "keeper-stale-veneers"},
        {"veneers-lead-to-entries": 2},
    ),
    "veneers not padded": (SECURITY, {"keeper": "keeper-unpadded"}, {"callable-area-holds-only-veneers": 1}),
}
"""For each fault the layout, the builds that are not the sound ones, and the number of findings by rule."""


def device(name: str = "mainline", replace: Mapping[str, str] | None = None) -> ReadLayout:
    """One of the layouts, pieces of its text replaced (each must be there)."""
    text = (FOLDER / f"{name}.toml").read_text(encoding="utf-8")
    for old, new in (replace or {}).items():
        if old not in text:
            raise KeyError(f"not in the layout: {old!r}")
        text = text.replace(old, new)
    return read_layout(text.encode(), f"{name}.toml")


@cache
def capability_build(name: str, file: str) -> Build:
    """One build, read."""
    return build_of(name, (BUILT / f"{file}.elf").read_bytes(), f"{file}.elf")


def capability_builds(layout: str = "mainline", **files: str) -> dict[str, Build]:
    """The builds of a layout, the sound ones unless ``files`` names others."""
    return {name: capability_build(name, file) for name, file in (SOUND[layout] | files).items()}


def image_of(read: ReadLayout, builds: Mapping[str, Build]) -> SparseBytes:
    """What join makes of them, whatever the rules say of it."""
    return join(read, builds).image


def applied(
    rule: str,
    layout: str = "mainline",
    *,
    replace: Mapping[str, str] | None = None,
    alone: bool = False,
    **files: str,
) -> RuleResult:
    """What one rule says of the joined builds; ``alone`` with the image alone, ``replace`` in the layout."""
    read = device(layout, replace)
    builds = capability_builds(layout, **files)
    image = image_of(read, builds)
    return apply(rule, read, image, {} if alone else builds, disassemble=True)


def everything(layout: str, *, replace: Mapping[str, str] | None = None, **files: str) -> RulesApplied:
    """What all rules say of the joined builds, disassembly included; ``replace`` in the layout."""
    read, builds = device(layout, replace), capability_builds(layout, **files)
    return check(Inspection(read, image_of(read, builds), builds, disassemble=True), TODAY)
