"""``image-inside-memories``: bytes in RAM, at aliases, where one core sees flash, and nowhere at all."""

from __future__ import annotations

from image_edits import changed, filled, holding
from small_device import FLASH, RAM, apply, findings, joined, layout

from gemel.checking.rules.image_inside_memories import MAX_RUNS
from gemel.spans import Span

RULE = "image-inside-memories"
END = FLASH + 0x4000
WITH_ALIAS = layout({"write_unit = 8\n": "write_unit = 8\naliases = [0]\n"})
WITH_VIEW = layout({"write_unit = 8\n": "write_unit = 8\nviews = { sampler = 0x0C00_0000 }\n"})
WITH_ROM = layout(
    {"[memory.control]": '[memory.boot]\nkind = "rom"\nstart = 0x0\nsize = 64\n\n[memory.control]'}
)


def _with(writes, read=None):
    return apply(RULE, read, changed(joined(read).image, writes))


BREAKS = {
    "bytes in RAM": lambda: _with({RAM + 0x10: b"data"}),
    "bytes in device registers": lambda: _with({0x5000_0000: b"\1\0\0\0"}),
    "bytes at an alias of flash": lambda: _with({0x100: bytes(8)}, WITH_ALIAS),
    "bytes where only one core sees flash": lambda: _with({0x0C00_0000: bytes(4)}, WITH_VIEW),
    "a run over the end of flash": lambda: _with({END - 4: bytes(8)}),
    "bytes after flash": lambda: _with({END + 0x100: b"x"}),
    "bytes before flash": lambda: _with({FLASH - 0x400: bytes(16)}),
    "runs in RAM and nowhere": lambda: _with(
        {RAM: b"a", RAM + 2: b"b", 0x4000_0000: b"c", 0x4000_0010: b"d"}
    ),
    "more runs than are listed": lambda: _with({RAM + 2 * n: b"x" for n in range(12)}),
}

KEEPS = {
    "a join": lambda: apply(RULE),
    "the image alone": lambda: apply(RULE, handed={}),
    "flash full to its last byte": lambda: apply(RULE, image=filled(joined().image, Span(FLASH, 0x4000))),
    "bytes in rom": lambda: _with({0x3C: b"boot"}, WITH_ROM),
}


def test_an_empty_image_is_not_checked() -> None:
    """An image without a byte has nothing that could lie inside."""
    result = apply(RULE, image=holding({}))
    assert [missing.reason for missing in result.not_applicable] == ["the image holds no byte"]


def test_first_byte_behind_flash_is_found() -> None:
    """The last byte of flash is inside, the next one is outside, and the finding gives its address alone."""
    result = apply(RULE, image=holding({END - 1: b"ab"}))
    assert [finding.span for finding in findings(result)] == [Span(END, 1)]
    assert [held.where for held in result.holds] == ["memory flash"]


def test_each_memory_has_its_finding() -> None:
    """Runs are grouped by memory, or by the nearest one, so that a waiver for one covers nothing else."""
    found = findings(BREAKS["runs in RAM and nowhere"]())
    assert [finding.parties for finding in found] == [("ram",), ("control",)]
    assert ["no memory" in finding.what for finding in found] == [False, True]


def test_a_bare_view_names_the_core() -> None:
    """Bytes where one core alone sees flash name that core, since no programmer writes there."""
    (finding,) = findings(BREAKS["bytes where only one core sees flash"]())
    assert finding.parties == ("flash", "sampler")


def test_very_many_runs_are_told_by_number() -> None:
    """A hostile image with a run at every other address gives a bounded report."""
    image = holding({0x6000_0000 + 2 * n: b"x" for n in range(MAX_RUNS + 50)})
    found = findings(apply(RULE, image=image, handed={}))
    assert len(found) == 2
    assert found[-1].found == "50 more runs"
    assert all(len(finding.lines) <= 10 for finding in found)
