"""Builds that would run, or have their vectors, below address 0 or past 4 GiB: the key is named, nothing crashes."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pytest
from sealed_device import Run, run_here
from small_device import FLASH, TODAY, builds, findings, joined, layout_text, sampler_elf, station_elf

from gemel.checking.registry import rule_named
from gemel.checking.runner import check
from gemel.errors import JoinRefused
from gemel.image.intel_hex import encode
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join
from gemel.layout.reader import ReadLayout, read_layout

RUN_AREA = 'sampler-run = { memory = "ram", offset = "13 KiB", size = "3 KiB", purpose = "code" }'
IN_TCM = 'sampler-run = { memory = "tcm", offset = 0, size = "16 KiB", purpose = "code" }'
STORED = 'stored_in = "sampler-code"\n'
BUILDS = ("station=station.elf", "sampler=sampler.elf")


def copied(start: int, vector_offset: int | None) -> str:
    """The layout whose sampler runs in a RAM of its own at ``start``."""
    offset = "" if vector_offset is None else f"vector_offset = 0x{vector_offset:X}\n"
    tcm = f'\n[memory.tcm]\nkind = "ram"\nstart = 0x{start:X}\nsize = "16 KiB"\n'
    return layout_text({RUN_AREA: IN_TCM, STORED: f'{STORED}runs_in = "sampler-run"\n{offset}'}, tcm)


CASES: Mapping[str, tuple[int, int, int, int | None, str]] = {
    # start of its RAM, run address, distance of its bytes from the area's start, vector_offset, what is said
    "vector_offset forgotten at run address 0": (0, 0, 0x100, None, "set vector_offset = 0x100 in [build.sampler]"),
    "too small a vector_offset": (0, 0, 0x800, 0x100, "set vector_offset = 0x800 in [build.sampler]"),
    "vectors past the last address": (0xFFFF_C000, 0xFFFF_FE00, 0, 0x800, "puts it at 0x100000600"),
    "a write unit that begins below 0": (0, 0, 0x104, 0x104, "-0x4 to "),
}  # fmt: skip
SOUND = {
    "vector_offset given": (0, 0, 0x100, 0x100),
    "run address after the area's start": (0, 0x100, 0x100, None),
    "the highest addresses": (0xFFFF_C000, 0xFFFF_C100, 0x100, 0x100),
}


def read(start: int, vector_offset: int | None) -> ReadLayout:
    """The layout, read."""
    return read_layout(copied(start, vector_offset).encode(), "small.toml")


@pytest.mark.parametrize("name", CASES)
def test_the_join_names_the_key(name: str) -> None:
    """The old fault: a negative vector address ended in an error about the record, or of gemel's own."""
    start, run, begins, offset, words = CASES[name]
    given = builds(sampler=sampler_elf(base=FLASH + 0x1000 + begins, run=run))
    with pytest.raises(JoinRefused) as refused:
        join(read(start, offset), given)
    assert words in str(refused.value)
    inspection = Inspection(read(start, offset), joined().image, given)
    rule = rule_named("builds-in-own-areas")
    assert rule is not None
    result = check(inspection, TODAY, [rule]).results[0]
    assert any(words in f"{each.found} {each.next_step}" for each in findings(result))


@pytest.mark.parametrize("name", SOUND)
def test_sound_ones_join(name: str) -> None:
    """The same builds with the offset, and those whose vectors have an address without it."""
    start, run, begins, offset = SOUND[name]
    given = builds(sampler=sampler_elf(base=FLASH + 0x1000 + begins, run=run))
    assert join(read(start, offset), given).record is not None


@pytest.mark.parametrize("name", CASES)
def test_no_command_crashes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], name: str
) -> None:
    """Every command that takes layout, image and builds ends with 0, 1 or an error of the input."""
    start, run, begins, offset, _ = CASES[name]
    monkeypatch.chdir(tmp_path)
    Path("small.toml").write_text(copied(start, offset), encoding="utf-8")
    Path("station.elf").write_bytes(station_elf())
    Path("sampler.elf").write_bytes(sampler_elf(base=FLASH + 0x1000 + begins, run=run))
    Path("image.hex").write_bytes(b"".join(encode(joined().image)))
    gemel: Run = run_here(capfd)
    for words in (
        ("join", "small.toml", *BUILDS, "-o", "new.hex"),
        ("check", "small.toml", "image.hex"),
        ("check", "small.toml", "image.hex", *BUILDS),
        ("show", "image.hex", "--layout", "small.toml", *BUILDS),
        ("rehearse", "small.toml", "image.hex", *BUILDS),
        ("compare", "small.toml", "image.hex", "image.hex", *BUILDS),
        ("draft", *BUILDS),
    ):
        ended = gemel(*words)
        assert "fault in gemel" not in ended.err, words
    assert not Path("new.hex").exists()
