"""The committed ELF files of ``testdata/capabilities`` are what the committed sources make."""

from __future__ import annotations

from pathlib import Path

from capability_builds import FOLDER
from rebuilding import differing_when_rebuilt


def test_rebuilding_elsewhere_gives_the_committed_bytes(tmp_path: Path) -> None:
    """A build in another folder gives every committed ELF file byte by byte, and no other."""
    assert differing_when_rebuilt(FOLDER, tmp_path) == []
