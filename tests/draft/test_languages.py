"""Drafts of builds in C, C++ and Rust, and with overlays: accepted, with the types of what is shared."""

from __future__ import annotations

import pytest
from draft.cases import checked, layout_of
from verdict_builds import ARCHITECTURES, builds_of

TYPES = ("struct Link", "enum Quality")
MORE = "struct Report", "struct Node", "struct Sample"
PAIRS = {
    ("station-c", "sampler-rust"): TYPES + MORE,
    ("station-c-atomic", "sampler-rust"): TYPES + MORE,
    ("station-c", "sampler-rust-cells"): TYPES + MORE,
    ("station-c", "sampler-cxx"): TYPES,
    ("station-overlays", "sampler"): (),
    ("station-library", "sampler-library"): (),
}
"""Sound pairs, with the types that their shared symbols have on both sides, whatever each language calls them."""


@pytest.mark.parametrize("family", ARCHITECTURES)
@pytest.mark.parametrize("files", PAIRS, ids=" ".join)
def test_a_draft_of_two_languages_is_accepted(files: tuple[str, str], family: str) -> None:
    """The station is primary, the contract names the types, and the check of the draft passes."""
    builds = builds_of(family, *files)
    layout = layout_of(builds)
    assert layout.cores["station"].role == "primary"
    (contract,) = layout.contracts.values()
    assert tuple(contract.types) == PAIRS[files]
    assert checked(builds, disassemble=True).passes
