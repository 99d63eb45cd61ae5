"""Builds below 1 MB with as many segments, sections or instructions as fit: each command ends within 2 s."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
import small_device
from elf_writer import SegmentSpec
from sealed_device import Run, run_here
from seconds import within

from gemel.image.intel_hex import encode

LARGEST = 1_000_000
NO_SEGMENT = 0x6000_0000
"""A segment type of the operating system's range: carries sections, and is not loaded."""
CODE, RAM = 0x1000_0400, 0x2000_0400


def sections(
    count: int, start: int, step: int, size: Callable[[int], int], prefix: str = ".s"
) -> tuple[tuple[str, int, int], ...]:
    """``count`` sections, each ``step`` bytes after the last."""
    return tuple((f"{prefix}{number}", start + step * number, size(number)) for number in range(count))


def reserving(each: tuple[tuple[str, int, int], ...], type: int = 1) -> SegmentSpec:
    """A segment without bytes that carries these sections."""
    return SegmentSpec(RAM, memory_size=0x8000, flags="rw", type=type, sections=each)


SEGMENTS: dict[str, Callable[[], list[SegmentSpec]]] = {
    "sections inside each other": lambda: [reserving(sections(12_000, RAM, 1, lambda at: 2 * (12_000 - at)))],
    "sections that overlap, in no segment": lambda: [
        reserving(sections(12_000, RAM, 0x1000, lambda _: 0x10_0000), NO_SEGMENT)
    ],
    "sections apart, in no segment": lambda: [reserving(sections(12_000, RAM, 8, lambda _: 4), NO_SEGMENT)],
    "sections of code": lambda: [
        SegmentSpec(CODE, b"\1" * 24_000, sections=sections(12_000, CODE, 2, lambda _: 2))
    ],
    "long names of sections": lambda: [
        SegmentSpec(CODE, b"\1" * 2_400, sections=sections(2_400, CODE, 1, lambda _: 1, "x" * 240))
    ],
    "segments over sections": lambda: [
        SegmentSpec(CODE, bytes(12_000), sections=sections(11_000, CODE, 1, lambda _: 1)),
        *(SegmentSpec(CODE + 4 * number, bytes(8)) for number in range(900)),
    ],
    "segments that run at one place": lambda: [
        SegmentSpec(CODE + 16 * number, b"\1" * 16, run_address=RAM) for number in range(1_000)
    ],
    "segments of one byte": lambda: [SegmentSpec(CODE + 2 * number, b"\1") for number in range(1_000)],
}
INSTRUCTIONS: dict[str, bytes] = {
    "MRS": b"\xef\xf3\x05\x80",
    "TBB": b"\xdf\xe8\x00\xf0",
    "VLDR": b"\x90\xed\x00\x0a",
    "CPSID": b"\x72\xb6",
    "BLX": b"\x80\x47",
}
COMMANDS = (
    ("check", "small.toml", "image.hex", "station=x.elf", "sampler=sampler.elf"),
    ("draft", "station=x.elf", "sampler=sampler.elf"),
)


@pytest.fixture
def gemel(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> Run:
    """Commands in a folder with the small device and its image."""
    monkeypatch.chdir(tmp_path)
    Path("small.toml").write_text(small_device.layout_text(), encoding="utf-8")
    Path("sampler.elf").write_bytes(small_device.sampler_elf())
    Path("image.hex").write_bytes(b"".join(encode(small_device.joined().image)))
    return run_here(capfd)


def all_end(gemel: Run, build: bytes) -> None:
    """What goes through all of a build ends in time, without a fault of ours."""
    assert len(build) <= LARGEST
    Path("x.elf").write_bytes(build)
    for words in COMMANDS:
        with within(2):
            ended = gemel(*words)
        assert "fault in gemel" not in ended.err, words


@pytest.mark.parametrize("name", SEGMENTS)
def test_many_sections_and_segments_end_in_time(gemel: Run, name: str) -> None:
    """The attack: each of 12,000 sections was looked for among all the others, 40 s in all.

    Segments of one byte ended in a fault of gemel's, since such a one need not reach the next whole word.
    """
    all_end(gemel, small_device.station_elf(extra=tuple(SEGMENTS[name]())))


@pytest.mark.parametrize("name", INSTRUCTIONS)
def test_code_of_one_instruction_ends_in_time(gemel: Run, name: str) -> None:
    """The attack: `draft` asked of each instruction anew, a dozen times, what it needs: 5 s."""
    one = INSTRUCTIONS[name]
    all_end(gemel, small_device.station_elf(code=one * (900_000 // len(one))))
