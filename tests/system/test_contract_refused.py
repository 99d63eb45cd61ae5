"""Builds that do not fit together are refused at the join, with both layouts side by side."""

from __future__ import annotations

from pathlib import Path

from tide_gauge import run_join


def test_another_size_of_enumerations_is_refused_with_both_layouts(tmp_path: Path) -> None:
    """A sampler built with -fno-short-enums is refused: the member that moved is shown and marked."""
    image = tmp_path / "image.hex"
    done = run_join("in-place", image, sampler="sampler-wide-enums")
    said = done.stdout + done.stderr
    assert done.returncode == 1
    assert not image.exists()
    assert "BROKEN contract-types-agree" in said
    assert ">>   enum link_quality quality             14       1     16       4" in said
    assert max(len(line) for line in said.splitlines()) <= 80


def test_builds_that_fit_are_joined(tmp_path: Path) -> None:
    """The sound builds of every arrangement keep their contracts."""
    for arrangement in ("in-place", "copied", "two-banks"):
        image = tmp_path / f"{arrangement}.hex"
        done = run_join(arrangement, image)
        assert done.returncode == 0, done.stdout + done.stderr
        assert image.exists()
