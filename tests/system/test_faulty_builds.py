"""Builds that compiler and linker accepted and that would not work together are refused at join."""

from __future__ import annotations

from pathlib import Path

import pytest
from rehearsals import gauge
from tide_gauge import BUILT, boot, expected_text, read_elf, run_join


@pytest.mark.parametrize(
    ("builds", "told"),
    [
        ({"sampler": "sampler-misplaced"}, ["0x1000_8000", "0x1000_C000"]),
        (
            {"station": "station-stale"},
            ["station-stale.elf", read_elf(BUILT / "in-place" / "sampler.elf").build_id],
        ),
    ],
    ids=["misplaced", "stale"],
)
def test_faulty_pair_is_refused(builds: dict[str, str], told: list[str], tmp_path: Path) -> None:
    """Join ends with 1, writes nothing, and tells where the two builds disagree."""
    image = tmp_path / "image.bin"
    done = run_join("in-place", image, **builds)
    assert done.returncode == 1, done.stderr
    assert not image.exists()
    assert [words for words in told if words not in done.stdout + done.stderr] == []


def test_station_that_carries_todays_sampler_is_joined_and_runs(tmp_path: Path) -> None:
    """A copy of the sampler inside the station, equal to the sampler handed in, does no harm."""
    image = tmp_path / "image.hex"
    done = run_join("in-place", image, station="station-embedding")
    assert done.returncode == 0, done.stdout + done.stderr
    own_lines = 3  # the banner and the two about the station itself
    assert boot(image)[own_lines:] == expected_text("in-place")[own_lines:]


def test_station_that_skips_a_header_joins_and_starts_nothing(tmp_path: Path) -> None:
    """The image joins, the machine never reports a frame, and the rehearsal says why."""
    image = tmp_path / "image.hex"
    done = run_join("in-place", image, station="station-behind-header")
    assert done.returncode == 0, done.stdout + done.stderr
    assert not [line for line in boot(image) if line.startswith("frame")]
    rehearsal = gauge("in-place", station="station-behind-header").rehearse(budget=2_000_000)
    assert [finding.kind for finding in rehearsal.findings] == ["released-at-wrong-address"]
    assert "0x1000_8200" in rehearsal.findings[0].found
