"""Builds of no more than build attributes, for tests of rules about what builds demand of their core."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from elf_writer import SegmentSpec, elf
from small_device import SAMPLER, STATION, apply, joined, layout
from small_device import build as build_of

from gemel.checking.runner import RuleResult

MAINLINE = {6: 17}
"""Tag_CPU_arch of Armv8-M Mainline (ADDENDA32)."""


def attributed(
    rule: str,
    attributes: Mapping[int, object],
    architecture: str = "armv8-m.main",
    extensions: Iterable[str] = (),
) -> RuleResult:
    """What a rule says of the station with these attributes, for a core of ``architecture``."""
    text = ", ".join(f'"{each}"' for each in extensions)
    read = layout(
        {
            'role = "primary"\narchitecture = "armv8-m.main"\nextensions = ["security"]': 'role = "primary"\n'
            f'architecture = "{architecture}"\nextensions = [{text}]'
        }
    )
    handed = {
        name: build_of(name, elf([SegmentSpec(start, b"\1" * 64)], attributes=values))
        for name, start, values in (("station", STATION, attributes), ("sampler", SAMPLER, MAINLINE))
    }
    return apply(rule, read, joined().image, handed)
