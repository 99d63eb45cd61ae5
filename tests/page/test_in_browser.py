"""A page in a browser: what is clicked, typed and pressed does what its words promise."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import pytest
import small_device
from browser import A4, ENTER, SLASH, TAB, Browser
from page.conftest import PAGES
from page.pages import HOSTILE, inspection
from seconds import ROOM

from gemel.spans import Span
from gemel.text.escaping import on_one_line

Page = Callable[[str], Path]
SMALL = [name for name in PAGES if name != "large"]


@pytest.mark.parametrize("name", SMALL)
def test_fits(browser: Browser, page: Page, name: str) -> None:
    """No page is wider than a telephone or a large screen, or asks for anything outside itself."""
    for width in (380, 1600):
        browser.open(page(name), width=width)
        assert browser.run("return document.documentElement.scrollWidth") <= width
        assert browser.run("return performance.getEntriesByType('resource').length") == 0


@pytest.mark.parametrize(
    ("name", "width", "scheme"),
    [("broken", 380, "light"), ("alone", 1600, "dark"), ("rehearsed", 1600, "light")],
)
def test_accessible(browser: Browser, page: Page, name: str, width: int, scheme: str) -> None:
    """WCAG 2.1 A and AA hold, as axe-core tests them: roles, labels, contrast."""
    browser.open(page(name), width=width, scheme=scheme)
    assert browser.violations() == []


def test_details_are_accessible(browser: Browser, page: Page) -> None:
    """What the script adds, results and details, keeps the rules too, with every table open."""
    browser.open(page("broken"), width=380, scheme="dark")
    browser.run("document.querySelectorAll('details').forEach((each) => (each.open = true))")
    browser.search("handler")
    browser.one("#results button").click()
    browser.details()
    assert browser.violations() == []


def test_search_a_name(browser: Browser, page: Page) -> None:
    """A symbol is found by a part of its name, whatever the case; Enter opens the first."""
    browser.open(page("sound"))
    offered = browser.search("LINK_FRA")
    assert "link_frames" in offered
    assert "station 0x2000_3000, sampler 0x3000_3000" in offered
    browser.press(ENTER)
    said = browser.details()
    assert "0x2000_3000..0x2000_303F" in said
    assert "sampler sees" in said
    assert "0x3000_3000..0x3000_303F" in said
    assert "The image holds no bytes here." in said
    assert browser.search("no_such_symbol") == "Nothing has this name or address."


@pytest.mark.parametrize(
    ("typed", "station", "sampler"),
    [
        ("0x2000_3004", "ram, link; link_frames+0x4 (station)", "in no memory"),
        ("30003004", "in no memory", "ram, link; link_frames+0x4 (station)"),
        (
            "0x10000081",
            "flash, station-code, build station; reset_handler+0x1",
            "flash, station-code, build station",
        ),
        ("0x5000_0000", "control", "control"),
    ],
)
def test_search_an_address(browser: Browser, page: Page, typed: str, station: str, sampler: str) -> None:
    """An address is looked up as each core sees it: the small device's sampler sees the RAM elsewhere."""
    browser.open(page("sound"))
    offered = browser.search(typed)
    first, second = offered.split("as sampler sees it")
    assert "as station sees it" in first
    assert station in first
    assert sampler in second


def test_bytes_are_the_images(browser: Browser, page: Page) -> None:
    """The bytes on the page are those of the image, with the symbols where they are; pages of them are turned."""
    browser.open(page("sound"))
    browser.one("a.part.build rect").click()
    browser.details()
    image = inspection().image
    before = browser.one("#details .dump").text
    for text in (before, _turned(browser, before)):
        rows = [line for line in text.splitlines() if line.startswith("0x")]
        assert rows
        for line in rows:
            address = int(line[2:11].replace("_", ""), 16)
            held = image.held_in(Span(address, 16))
            expected = image.read(held[0], None) if held else b""
            assert bytes.fromhex(line[13:61].replace("--", "")) == expected
    assert "reset_handler (station):" in before


def _turned(browser: Browser, before: str) -> str:
    browser.all("#details .scroll button")[1].click()
    return str(
        browser.until(
            "const text = document.querySelector('#details .dump').textContent;"
            "return text !== arguments[0] && text",
            before,
        )
    )


def test_click_a_part(browser: Browser, page: Page) -> None:
    """Every part of a map opens its details: addresses as each core sees them, and its largest symbols."""
    browser.open(page("sound"))
    parts = browser.all("a.part")
    assert len(parts) > 15
    for part in parts:
        name, start, size = (part.get_attribute(f"data-{key}") for key in ("name", "start", "size"))
        browser.run(
            "arguments[0].dispatchEvent(new MouseEvent('click', {bubbles: true, cancelable: true}))", part
        )
        said = browser.until(
            "return document.getElementById('details-title').textContent === arguments[0] && "
            "document.querySelector('#details .dump') && document.getElementById('details').innerText",
            name,
        )
        assert str(Span(int(start or 0), int(size or 0))) in said
    browser.one("a.part.area rect").click()
    browser.until("return document.querySelector('#details tbody button')")
    assert "reset_handler" in browser.details()


def test_keyboard(browser: Browser, page: Page) -> None:
    """Without a mouse: / to the search, Tab to a part of the map, Enter opens it, + and 0 zoom, arrows move."""
    browser.open(page("sound"))
    browser.press(SLASH)
    assert browser.run("return document.activeElement.id") == "search"
    for _ in range(60):
        browser.press(TAB)
        if browser.run("return document.activeElement.classList.contains('part')"):
            break
    assert (
        browser.run("return getComputedStyle(document.activeElement.querySelector('rect')).strokeWidth")
        == "4px"
    )
    whole = _ticks(browser)
    browser.press("+")
    zoomed = _ticks(browser)
    assert zoomed != whole
    browser.press("\ue014")  # WebDriver, section 17.4.2: the right arrow
    assert _ticks(browser)[0] > zoomed[0]
    browser.press("0")
    assert _ticks(browser) == whole
    browser.press(ENTER)
    assert "Bytes" in browser.details()


def _ticks(browser: Browser) -> list[str]:
    return [
        str(text)
        for text in browser.run(
            "return Array.from(document.querySelectorAll('#strip-0 .tick'), (each) => each.textContent)"
        )
    ]


def test_drawn_to_scale(browser: Browser, page: Page) -> None:
    """Each part is as wide as its share of the memory, and is where its address is; after zooming too."""
    browser.open(page("sound"))
    shapes = """
      return Array.from(document.querySelectorAll("#strip-0 a.part"), (part) => {
        const box = part.querySelector("rect").getBoundingClientRect();
        const map = part.closest("svg").getBoundingClientRect();
        return [+part.dataset.start, +part.dataset.size, (box.left - map.left) / map.width, box.width / map.width,
          part.getAttribute("display") !== "none"];
      });"""
    for start, size, left, width, _ in browser.run(shapes):
        assert left == pytest.approx((start - small_device.FLASH) / 0x4000, abs=0.001)
        assert width == pytest.approx(size / 0x4000, abs=0.001)
    browser.one("#strip-0 [data-zoom=in]").click()
    ticks = _ticks(browser)
    low = int(ticks[0][2:].replace("_", ""), 16)
    for start, size, left, width, seen in browser.run(shapes):
        inside = Span(start, size).intersection(Span(low, 0x1000))
        assert seen == (inside.size > 0)
        if seen:
            assert left == pytest.approx((inside.start - low) / 0x1000, abs=0.001)
            assert width == pytest.approx(inside.size / 0x1000, abs=0.001)


@pytest.mark.parametrize("width", [380, 1600])
def test_names_keep_to_their_parts(browser: Browser, page: Page, width: int) -> None:
    """A name in a drawing ends at the edge of its part, and a part too narrow for one has none; after zooming too."""
    browser.open(page("rehearsed"), width=width)
    shapes = """
      return Array.from(document.querySelectorAll(".part foreignObject, .tile foreignObject"), (place) => {
        const [part, name] = [place.previousElementSibling, place.querySelector("span")];
        const boxes = [part, name].map((each) => each.getBoundingClientRect());
        return [...boxes.flatMap((box) => [box.left, box.right]), getComputedStyle(name).textOverflow];
      }).filter(([left, right]) => right > left);"""
    for _ in range(2):
        names = browser.run(shapes)
        shown = [each for each in names if each[3] > each[2]]
        assert len(shown) >= 5
        assert all(left - 0.1 <= start and end <= right + 0.1 for left, right, start, end, *_ in shown)
        assert {each[-1] for each in shown} == {"ellipsis"}
        assert {(right - left > 38) for left, right, start, end, *_ in names if end == start} <= {False}
        browser.one("#strip-0 [data-zoom=in]").click()


def test_findings_on_the_map(browser: Browser, page: Page) -> None:
    """Each finding with bytes is marked where they are, and its mark leads to its words."""
    browser.open(page("broken"))
    assert "FAIL" in browser.one(".verdict").text
    marks = browser.all("a.mark")
    assert marks
    numbers = browser.run(
        "return Array.from(document.querySelectorAll('.mark text'), (each) => each.getBoundingClientRect())"
        ".filter((box) => box.width).map((box) => [box.left, box.right]).sort((one, two) => one[0] - two[0])"
    )
    assert all(right <= left for (_, right), (left, _) in pairwise(numbers)), "numbers overlap"
    for mark in marks:
        target = mark.get_attribute("href") or mark.get_attribute("xlink:href") or ""
        number = browser.run("return arguments[0].getAttribute('href')", mark)
        words = browser.one(number).text
        assert str(mark.get_attribute("aria-label")).partition(": ")[2].partition("; findings")[0] in words, (
            target
        )
    browser.one(".finding a[data-start]").click()
    assert browser.one("#details-title").text.startswith("finding ")


def test_hostile_names(browser: Browser, page: Page) -> None:
    """Names that are markup, script, template or control characters are shown as text and do nothing."""
    browser.open(page("hostile"))
    for name in HOSTILE[:9]:
        shown = on_one_line(name.partition("\0")[0])
        assert shown in browser.search(shown[:6])
        browser.one("#results button").click()
        browser.until("return document.querySelector('#details .dump')")
    assert browser.one("#results") is not None
    assert browser.run("return typeof hacked") == "undefined"
    assert browser.run("return document.scripts.length") == browser.run(
        "return document.querySelectorAll('body > script').length"
    )
    assert browser.run("return document.querySelectorAll('img, iframe, object, embed, link').length") == 0
    assert "\u202e" not in browser.run("return document.documentElement.textContent")


def test_rehearsal(browser: Browser, page: Page) -> None:
    """The timeline of the rehearsal is on the page, one lane a core, with its events as a table."""
    browser.open(page("rehearsed"))
    assert "rehearsal of tide-gauge passes" in str(browser.one(".timeline svg").get_attribute("aria-label"))
    browser.run("document.querySelectorAll('details').forEach((each) => (each.open = true))")
    assert "starts at reset_handler" in browser.one("section[aria-labelledby=rehearsal] table").text


def test_print(browser: Browser, page: Page) -> None:
    """Printed: no search, every table open, dark ink on white whatever the screen has, nothing cut off."""
    browser.open(page("broken"), scheme="dark", media="print")
    assert not browser.one("aside").is_displayed()
    assert browser.run("return getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    assert browser.run("return getComputedStyle(document.body).color") == "rgb(0, 0, 0)"
    for name in ("broken", "rehearsed", "alone"):
        browser.open(page(name), width=A4, media="print")
        assert browser.run("return document.documentElement.scrollWidth") <= A4
    assert browser.printed().startswith(b"%PDF-")
    assert browser.run("return Array.from(document.querySelectorAll('details')).every((each) => each.open)")


def test_large(browser: Browser, page: Page) -> None:
    """64 MiB and 100,000 symbols: at most 3 MiB, ready to search in two seconds, and the last symbol is there."""
    file = page("large")
    assert file.stat().st_size <= 3 << 20
    browser.open(file)
    ready = browser.until("return performance.getEntriesByName('ready')[0]?.startTime")
    assert ready < 2000 * ROOM
    assert "frame_store_1869f" in browser.search("_1869F")
    browser.all("#results button")[-1].click()
    assert "28 bytes" in browser.details()
    browser.one("a.part[data-name=pictures] rect").click()
    browser.until("return document.getElementById('details-title').textContent === 'pictures'")
    assert "left out of this page for its size" in browser.one("#details").text
