"""Sections of a build that take turns at one place in memory."""

from __future__ import annotations

import pytest
from verdict_builds import ARCHITECTURES, BUILT, build_of

from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.show.facts.build_uses import load_span_of, overlays_of

THREAD_LOCAL = b"\x03\x04\0\0"
"""SHF_WRITE, SHF_ALLOC and SHF_TLS."""


@pytest.mark.parametrize("family", ARCHITECTURES)
def test_overlays_are_named_with_where_they_are_stored(family: str) -> None:
    """Two phases of code at one run address are stored one after the other."""
    build = build_of("station", f"station-overlays-{family}")
    ((first, second),) = overlays_of(build)
    assert (first.name, second.name, first.span.start) == (".first", ".second", second.span.start)
    stored = [load_span_of(build, each) for each in (first, second)]
    assert None not in stored
    assert stored[0].end == stored[1].start  # type: ignore[union-attr]


def test_templates_of_thread_local_data_are_none() -> None:
    """What is cleared for each thread takes no memory where it is linked (gABI, SHF_TLS)."""
    data = bytearray((BUILT / "sampler-v8.elf").read_bytes())
    sections = build_of("sampler", "sampler-v8").sections.all()  # type: ignore[union-attr]
    (bss,) = (each for each in sections if each.name == ".bss")
    at = int.from_bytes(data[32:36], "little") + 40 * bss.number + 40
    data[at + 12 : at + 16] = bss.span.start.to_bytes(4, "little")  # the next section begins there too
    found = []
    for flags in (bytes(data[at + 8 : at + 12]), THREAD_LOCAL):
        data[at + 8 : at + 12] = flags
        build = read_build(BytesSource(bytes(data), "tls.elf"), name="sampler", file="tls.elf")
        found.append(len(overlays_of(build)))
    assert found == [1, 0]


@pytest.mark.parametrize("file", ["station", "sampler-tables", "station-board-copies", "sampler-library"])
def test_other_builds_have_none(file: str) -> None:
    """Sections beside each other, and reservations, are no overlays."""
    assert overlays_of(build_of(file.split("-")[0], f"{file}-v8")) == []
