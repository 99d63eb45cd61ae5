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


def everything(layout: str, **files: str) -> RulesApplied:
    """What all rules say of the joined builds, disassembly included."""
    read, builds = device(layout), capability_builds(layout, **files)
    return check(Inspection(read, image_of(read, builds), builds, disassemble=True), TODAY)
