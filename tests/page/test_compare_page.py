"""The page of a comparison: both memories drawn to one scale, breaks first, sound with hostile names, in a browser."""

from __future__ import annotations

import re
from functools import cache
from html.parser import HTMLParser
from pathlib import Path

import pytest
from browser import A4, Browser
from page.pages import HOSTILE
from tide_gauge import BUILT, layout_file

import gemel
from gemel.cli.main import exit_code
from gemel.comparing.changes import Comparison, ContractBreak, FieldChange, SymbolChange, VectorChange
from gemel.page.compare import page_of_comparison
from gemel.spans import Address, Span
from gemel.structs import replace

LAYOUT = gemel.load_layout(layout_file("in-place"))
IN_PLACE = BUILT / "in-place"
DIFFERING = ("station.elf", "sampler.elf"), ("station.elf", "sampler-wide-enums.elf")


@cache
def images() -> tuple[gemel.Image, gemel.Image, dict[str, object], dict[str, object]]:
    """The tide gauge with two samplers that differ in a shared struct, and a counter that falls."""
    made = []
    for counter, files in zip((3, 2), DIFFERING, strict=True):
        builds = gemel.load_builds(LAYOUT, {each[:7]: IN_PLACE / each for each in files})
        made.append((gemel.join(LAYOUT, builds, rollback=counter).image, builds))
    return made[0][0], made[1][0], made[0][1], made[1][1]


@cache
def comparison() -> Comparison:
    """What changed between them."""
    old, new, old_builds, new_builds = images()
    return gemel.compare(old, new, LAYOUT, old_builds=old_builds, new_builds=new_builds)


def hostile() -> Comparison:
    """The same with names that are markup, script or control characters wherever a file can give one."""
    base = comparison()
    symbols = tuple(SymbolChange(name, "function", "changed", 4, 4) for name in HOSTILE)
    vector = VectorChange(HOSTILE[0], 1, 2, "reset", Address(1), Address(3), HOSTILE[1], HOSTILE[2])
    return replace(
        base,
        old=replace(
            base.old, image=replace(base.old.image, name=HOSTILE[0], product=HOSTILE[1], version=HOSTILE[7])
        ),
        breaks=tuple(ContractBreak(name, name, name, (name,)) for name in HOSTILE),
        fields=tuple(FieldChange(name, name, name) for name in HOSTILE),
        vectors=(vector,),
        builds=tuple(
            replace(it, build=name, symbols=symbols) for it, name in zip(base.builds, HOSTILE, strict=False)
        ),
        not_compared=HOSTILE,
    )


PAGES = {
    "compared": lambda: page_of_comparison(comparison(), LAYOUT.layout),
    "without-layout": lambda: page_of_comparison(gemel.compare(*images()[:2]), None),
    "same": lambda: page_of_comparison(gemel.compare(images()[0], images()[0], LAYOUT), LAYOUT.layout),
    "hostile": lambda: page_of_comparison(hostile(), LAYOUT.layout),
}


class Parts(HTMLParser):
    """What the drawings hold: class, start and size of each part, by ``svg``."""

    def __init__(self) -> None:
        super().__init__()
        self.maps: list[list[tuple[str, Span]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note maps and their parts."""
        values = {name: value or "" for name, value in attrs}
        if tag == "svg" and values.get("class") == "map":
            self.maps.append([])
        if tag == "a" and values.get("class", "").startswith("part "):
            span = Span(int(values["data-start"]), int(values["data-size"]))
            self.maps[-1].append((values["class"].split()[1], span))


def test_both_memories_have_the_changed_blocks() -> None:
    """Old and new are drawn beside each other, and both mark the erase blocks that JSON names."""
    parts = Parts()
    parts.feed(PAGES["compared"]())
    (flash,) = (each for each in comparison().memories if each.changed)
    old, new = parts.maps
    for drawn in (old, new):
        assert tuple(span for kind, span in drawn if kind == "changed") == flash.spans
    areas = [
        LAYOUT.layout.span_of(name) for name, area in LAYOUT.layout.areas.items() if area.memory == "flash"
    ]
    assert [span for kind, span in old if kind == "area"] == areas
    stored = (
        [build.old_stored for build in comparison().builds],
        [build.new_stored for build in comparison().builds],
    )
    assert ([s for k, s in old if k == "build"], [s for k, s in new if k == "build"]) == stored


def test_breaks_and_a_falling_counter_come_first() -> None:
    """What must keep an old and a new core apart stands before bytes and builds."""
    page = PAGES["compared"]()
    order = [
        "the rollback counter falls",
        'id="breaks"',
        "link_area of contract",
        'id="proofs"',
        'id="memories"',
        'id="builds"',
    ]
    places = [page.index(each) for each in order]
    assert places == sorted(places)


def test_identities_are_beside_each_other() -> None:
    """A row for each fact, what differs in two columns and what does not once."""
    page = PAGES["compared"]()
    table = page[page.index('id="identity"') : page.index('id="breaks"')]
    old, new = comparison().old.image, comparison().new.image
    assert re.findall(r"<td[^>]*>([0-9a-f]{64})</td>", table)[-2:] == [old.content_sha256, new.content_sha256]
    assert (
        len(
            re.findall(rf'<td class="wrap same" colspan="2">gemel {re.escape(gemel.__version__)}</td>', table)
        )
        == 1
    )


def test_the_page_is_whole_and_asks_for_nothing() -> None:
    """No script at all, one style by its digest, no reference but to places of the page, each of which is there."""
    page = PAGES["compared"]()
    assert "<script" not in page
    assert "script-src &#39;none&#39;" in page
    ids = re.findall(r' id="([^"]+)"', page)
    assert len(ids) == len(set(ids))
    targets = set(re.findall(r' href="([^"]*)"', page))
    assert {each[1:] for each in targets if each.startswith("#")} <= set(ids)
    assert all(each.startswith("#") for each in targets)


@pytest.mark.parametrize("name", PAGES)
def test_in_a_browser(browser: Browser, tmp_path: Path, name: str) -> None:
    """It fits a telephone, paper and a large screen, runs nothing, and keeps WCAG 2.1 A and AA by axe-core."""
    file = tmp_path / "page.html"
    file.write_text(PAGES[name](), encoding="utf-8")
    for width, scheme, media in ((380, "dark", "screen"), (A4, "dark", "print"), (1600, "light", "screen")):
        browser.open(file, width=width, scheme=scheme, media=media)
        assert browser.run("return document.documentElement.scrollWidth") <= width
        assert browser.run("return window.hacked") is None
        assert browser.run("return performance.getEntriesByType('resource').length") == 0
    assert browser.violations() == []
    beside = browser.run(
        "const drawn = [...document.querySelectorAll('.pair figure')];"
        "const [one, other] = drawn.map((each) => each.getBoundingClientRect());"
        "return !one || (one.right <= other.left && Math.abs(one.top - other.top) < 1)"
    )
    assert beside


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """``-o FILE.html`` and ``--format html`` give the same page, exit codes as ever; no input is overwritten."""
    old, new, *_ = images()
    files = [tmp_path / "old.hex", tmp_path / "new.hex"]
    for file, image in zip(files, (old, new), strict=True):
        gemel.write_images(image, file, layout=LAYOUT)
    words = [str(layout_file("in-place")), *map(str, files)]
    page = tmp_path / "changes.html"
    assert exit_code(["compare", *words, "-o", str(page)]) == 1
    assert capsys.readouterr().out == ""
    assert exit_code(["compare", *words, "--format", "html"]) == 1
    assert capsys.readouterr().out == page.read_text(encoding="utf-8")
    assert exit_code(["compare", words[0], words[1], words[1], "-o", str(page)]) == 0
    before = files[0].read_bytes()
    assert exit_code(["compare", *words, "-o", str(files[0])]) == 2
    assert files[0].read_bytes() == before
    for suffix in ("txt", "json"):
        assert exit_code(["compare", *words, "-o", str(tmp_path / f"changes.{suffix}")]) == 1
    assert (tmp_path / "changes.json").read_text("utf-8").startswith("{")
    assert "DIFFERENT" in (tmp_path / "changes.txt").read_text("utf-8")
