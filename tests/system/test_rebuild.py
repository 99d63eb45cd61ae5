"""The committed ELF files of ``testdata/tide-gauge`` are what the committed sources make."""

from __future__ import annotations

from pathlib import Path

from rebuilding import differing_when_rebuilt
from tide_gauge import GAUGE


def test_rebuilding_elsewhere_gives_the_committed_bytes(tmp_path: Path) -> None:
    """A build in another folder gives every committed ELF file byte by byte, and no other."""
    assert differing_when_rebuilt(GAUGE, tmp_path) == []
