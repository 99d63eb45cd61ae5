"""Questions to a build: what it stores, what it uses, what it cannot tell."""

from __future__ import annotations

from elf_writer import SegmentSpec
from reading_builds import CODE, FLASH, RAM, read_elf

DATA = SegmentSpec(FLASH + 64, b"initial!", run_address=RAM, memory_size=100, flags="rw")


def test_load_address_of_initialised_data() -> None:
    """A run address in initialised data is stored elsewhere; in cleared memory it is not stored."""
    build = read_elf(CODE, DATA)
    assert build.load_address_of(RAM + 4, 4) == FLASH + 68
    assert build.load_address_of(RAM + 5, 4) is None
    assert build.load_address_of(RAM + 8) is None
    assert build.load_address_of(FLASH + 63) == FLASH + 63
    assert build.load_address_of(FLASH + 64) is None


def test_bytes_by_run_address() -> None:
    """Bytes are read where they are used, and only where they are stored whole."""
    build = read_elf(CODE, DATA)
    assert build.read_at_run(RAM + 2, 3) == b"iti"
    assert build.read_at_run(RAM + 6, 4) is None
    assert build.read_at_run(FLASH + 1, 2) == b"\x01\x02"
    assert build.read_at_run(0, 1) is None


def test_segment_by_address() -> None:
    """A segment is found by a run address."""
    build = read_elf(CODE, DATA)
    assert build.segment_at_run(RAM + 99) is build.segments[1]
    assert build.segment_at_run(RAM + 100) is None


def test_reasons_for_what_is_missing() -> None:
    """A stripped file says of each missing thing why; of what it can tell it gives no reason."""
    build = read_elf(entry=FLASH + 1)
    assert build.symbols is None
    assert "stripped" in build.reason_for("symbols")
    assert build.build_id is None
    assert "--build-id" in build.reason_for("build id")
    assert build.attributes is None
    assert "no section of build attributes" in build.reason_for("build attributes")
    assert build.reason_for("run addresses") == build.reason_for("entry point") == ""
    assert len(build.missing) == 3
