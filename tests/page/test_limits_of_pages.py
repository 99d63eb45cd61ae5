"""Limits of what is on a page, each at both its sides."""

from __future__ import annotations

from functools import cache
from types import SimpleNamespace

import pytest
from audited import page, result
from both_sides import Limits, assert_both_sides
from elf_writer import SymbolSpec
from page import pages
from rehearsals import gauge
from shown_images import comparison
from small_device import FLASH, STATION, TODAY

from gemel.audit.result import ImageStatus
from gemel.checking.runner import check
from gemel.comparing.changes import AreaChange
from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.page import embedding
from gemel.page.audit import AuditPage
from gemel.page.compare import page_of_comparison
from gemel.page.drawing import drawn
from gemel.page.embedding import embedded_bytes
from gemel.page.render import page_of_check
from gemel.page.strips import JOINED_GAP, Lane, LanePart, PlacedFinding, Strip, _blocks, strips_of
from gemel.page.symbols import build_symbols
from gemel.rehearsal.result import Rehearsal
from gemel.show.facts.gather import contents_of_file
from gemel.spans import Address, Span
from gemel.structs import replace


def _images(count: int, status: ImageStatus) -> bool:
    """Whether all of ``count`` images are listed."""
    text = page([replace(result(f"{number}.hex"), status=status) for number in range(count)])
    return f"The first {count - 1}" not in text


def _versions(count: int) -> bool:
    """Whether images of ``count`` versions are counted."""
    made = AuditPage()
    for number in range(count):
        made.line(replace(result("a.hex"), version=f"1.0.{number}"))
    return len(made._versions) == count


def _parts(count: int) -> bool:
    """Whether all parts of a lane are drawn."""
    parts = tuple(LanePart("x", Span(16 * number, 8), "build", "build-0", "x") for number in range(count))
    strip = Strip("flash", "flash", Span(0, 0x1000), None, (Lane("builds", parts),), ())
    return drawn(strip).count("<a ") == count


def _apart(count: int, distance: int) -> SparseBytes:
    image = SparseBytes()
    for number in range(count):
        image.write(FLASH + distance * number, b"tide")
    return image


def _stretches(count: int) -> bool:
    """Whether all stretches are named that there is no room for."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(embedding, "MAX_BYTES_TEXT", 0)
        return len(embedded_bytes(_apart(count, 0x10_0000), ()).left_out) == count


@cache
def _rehearsal() -> Rehearsal:
    return gauge("in-place").rehearse()


def _page(findings: int = 1, events: int = 1) -> str:
    """The page of a check with so many findings, after a rehearsal with so many events."""
    broken_one = pages.inspection(broken=True)
    rehearsal = replace(_rehearsal(), events=_rehearsal().events[:1] * events)
    subject = Inspection(broken_one.read, broken_one.image, broken_one.builds, rehearsal=rehearsal)
    made = check(subject, TODAY)
    broken = next(each for each in made.results if each.findings)
    return page_of_check(
        replace(made, results=(replace(broken, findings=broken.findings[:1] * findings),)), subject
    )


def _runs(count: int) -> bool:
    """Whether all runs of used erase blocks are drawn."""
    spans = [Span(32 * number, 4) for number in range(count)]
    memory = SimpleNamespace(erase_block=16, span=Span(0, 0x1000))
    return len(_blocks([SimpleNamespace(kind="build", spans=spans)], memory)) == count


def _groups(count: int) -> bool:
    """Whether all stretches of a file without a layout are drawn."""
    return len(strips_of(contents_of_file(_apart(count, 2 * JOINED_GAP), "a.hex"), ())) == count


def _name(size: int) -> bool:
    symbol = SymbolSpec("x" * size, STATION + 0x90, 4, "object")
    (own, *_) = build_symbols(pages.inspection(symbols=[symbol]))
    return "x" * size in [each.name for each in own.symbols]


def _largest(count: int) -> bool:
    """Whether the last of ``count`` symbols, larger than all others, is in the table of the largest."""
    symbols = [SymbolSpec(f"n{n}", STATION + 0x90 + 16 * n, 2000 - n, "object") for n in range(count)]
    inspection = pages.inspection(symbols=symbols)
    return f'<th scope="row">n{count - 1}</th>' in page_of_check(check(inspection, TODAY), inspection)


def _marks(count: int) -> bool:
    """Whether findings at ``count`` places have a mark."""
    findings = tuple(PlacedFinding(n, "error", "x", Span(16 * n, 4)) for n in range(count))
    return drawn(Strip("flash", "flash", Span(0, 0x1000), None, (), findings)).count("<a ") == count


def _rows(count: int) -> bool:
    """Whether all areas that differ between two images are in the page's table."""
    area = AreaChange("link", "ram", Span(FLASH, 16), 4, Address(FLASH), Address(FLASH + 3))
    text = page_of_comparison(replace(comparison(), areas=(area,) * count), None)
    return "more are not on this page" not in text


LIMITS: Limits = {
    "page.compare.MAX_ROWS": (3, _rows),
    "page.drawing.MAX_MARKS": (3, _marks),
    "page.audit.MAX_TROUBLES": (3, lambda count: _images(count, "broken")),
    "page.audit.MAX_PASSING": (3, lambda count: _images(count, "passes")),
    "page.audit.MAX_VERSIONS": (3, _versions),
    "page.drawing.MAX_DRAWN": (3, _parts),
    "page.embedding.MAX_STRETCHES": (3, _stretches),
    "page.render.MAX_OBJECTS": (3, _largest),
    "page.render.MAX_FINDINGS": (3, lambda count: "more findings" not in _page(findings=count)),
    "page.render.MAX_EVENTS": (3, lambda count: "later events" not in _page(events=count)),
    "page.strips.MAX_BLOCK_RUNS": (3, _runs),
    "page.strips.MAX_GROUPS": (3, _groups),
    "page.symbols.MAX_NAME": (30, _name),
}


@pytest.mark.parametrize("name", LIMITS)
def test_both_sides(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """What a limit allows is on the page, and one more is counted or cut."""
    assert_both_sides(monkeypatch, LIMITS, name)
