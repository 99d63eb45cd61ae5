"""Short ways to read a build in tests."""

from __future__ import annotations

import pytest
from elf_writer import SegmentSpec, elf

from gemel.builds.build import Build
from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.errors import BuildError, Problem

FLASH = 0x1000_0000
RAM = 0x2000_0000
CODE = SegmentSpec(FLASH, bytes(range(64)))


class CountingSource(BytesSource):
    """A source that remembers which (offset, size) were read."""

    def __init__(self, data: bytes) -> None:
        super().__init__(data, "counted")
        self.reads: list[tuple[int, int]] = []

    def read(self, offset: int, size: int) -> bytes:
        """As the base class, and remembers."""
        self.reads.append((offset, size))
        return super().read(offset, size)


def read(data: bytes, file: str = "sampler.elf", raw_start: int | None = None) -> Build:
    """The build in ``data``."""
    return read_build(BytesSource(data, file), name="sampler", file=file, raw_start=raw_start)


def read_elf(*segments: SegmentSpec, **options) -> Build:
    """The build in an ELF file with ``segments``, or with one of code."""
    return read(elf(segments or [CODE], **options))


def refused(data: bytes, file: str = "sampler.elf", raw_start: int | None = None) -> tuple[Problem, ...]:
    """The problems for which ``data`` is refused."""
    with pytest.raises(BuildError) as caught:
        read(data, file, raw_start)
    for problem in caught.value.problems:
        assert problem.what, "a problem says what is wrong"
        assert problem.where.startswith(file), "a problem names the file"
    return caught.value.problems


def one_refusal(data: bytes, file: str = "sampler.elf", raw_start: int | None = None) -> str:
    """The single problem for which ``data`` is refused, as printed."""
    problems = refused(data, file, raw_start)
    assert len(problems) == 1, [str(problem) for problem in problems]
    return str(problems[0])
