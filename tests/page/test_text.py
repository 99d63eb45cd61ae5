"""A page as text: one file, the same for the same inputs, that says what it judged and leaves nothing out unsaid."""

from __future__ import annotations

import base64
import hashlib
import json
import random
import re
import zlib
from html.parser import HTMLParser

import pytest
import small_device
from elf_writer import SymbolSpec
from page import pages
from seconds import within

from gemel.image.sparse import SparseBytes
from gemel.page.embedding import (
    MAX_BYTES_TEXT,
    MAX_SYMBOL_TEXT,
    embedded_bytes,
    embedded_symbols,
    json_in_script,
)
from gemel.page.symbols import build_symbols
from gemel.spans import Span


class Parsed(HTMLParser):
    """The elements of a page with their attributes, the text of its scripts and styles."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.inside: list[tuple[str, dict[str, str | None], str]] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag in ("script", "style"):
            self.inside.append((tag, dict(attrs), ""))

    def handle_endtag(self, tag: str) -> None:
        if tag in ("script", "style"):
            self.elements.append((f"/{tag}", {}))

    def handle_data(self, data: str) -> None:
        if self.elements and self.elements[-1][0] in ("script", "style"):
            tag, attributes, text = self.inside[-1]
            self.inside[-1] = tag, attributes, text + data


MADE = {
    "sound": lambda: pages.checked(pages.inspection()),
    "broken": lambda: pages.checked(pages.inspection(broken=True)),
    "shown": lambda: pages.shown(pages.inspection()),
    "alone": lambda: pages.alone(pages.inspection().image),
    "empty": lambda: pages.alone(SparseBytes()),
    "hostile": pages.hostile,
}


@pytest.mark.parametrize("name", MADE)
def test_one_file(name: str) -> None:
    """Nothing is loaded: no address of a file in any element; one style and one script, each by its digest."""
    page = MADE[name]()
    parsed = Parsed(page)
    for tag, attributes in parsed.elements:
        assert tag not in ("link", "img", "iframe", "object", "embed", "base", "form action")
        assert not {"src", "srcset", "style", "action"} & attributes.keys()
        assert not any(key.startswith("on") for key in attributes)
        assert str(attributes.get("href", "#")).startswith("#")
    policy = next(
        str(each["content"])
        for tag, each in parsed.elements
        if each.get("http-equiv") == "Content-Security-Policy"
    )
    assert policy.startswith("default-src 'none'; ")
    executed = [text for tag, attributes, text in parsed.inside if "type" not in attributes]
    assert len(executed) == 2
    for text in executed:
        digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        assert f"'sha256-{digest}'" in policy
    assert MADE[name]() == page


@pytest.mark.parametrize("name", MADE)
def test_links_lead_somewhere(name: str) -> None:
    """Every link inside the page has a target, no two elements share an id, every label has its element."""
    parsed = Parsed(MADE[name]())
    ids = [str(each["id"]) for _, each in parsed.elements if "id" in each]
    assert len(ids) == len(set(ids))
    for _, each in parsed.elements:
        for key in ("href", "for", "aria-labelledby", "aria-describedby"):
            if target := each.get(key):
                assert target.lstrip("#") in ids, target


def test_order() -> None:
    """Verdict and identity come first, then findings, the map, builds, vectors, record, seal, checksums."""
    page = MADE["broken"]()
    wanted = [
        "verdict",
        "identity",
        "findings",
        "map",
        "builds",
        "vectors",
        "records",
        "seals",
        "values",
        "not-checked",
    ]
    places = [page.index(f'class="{wanted[0]}'), *(page.index(f'id="{each}"') for each in wanted[1:])]
    assert places == sorted(places)


def test_json_in_a_script() -> None:
    """What ends a script, begins a comment or another script (HTML, section 4.12.1.3) is no part of the text."""
    text = json_in_script({"name": list(pages.HOSTILE)})
    assert not re.search(r"[<>&\u2028\u202e]", text)
    assert json.loads(text) == {"name": list(pages.HOSTILE)}


def test_bytes_round_trip() -> None:
    """The blocks of a page hold the image: each byte that it holds, and which addresses it does not hold."""
    image = SparseBytes()
    for start, size in ((0x1000_0000, 70_000), (0x1002_0010, 5), (0x1002_0020, 3), (0x2000_FFFF, 2)):
        image.write(start, random.Random(start).randbytes(size))
    found = SparseBytes()
    made = embedded_bytes(image, ())
    for block in made.blocks:
        data = zlib.decompress(base64.b64decode(block.text))
        mask = data[block.size :] if block.is_masked else b"\1" * block.size
        for at in range(block.size):
            if mask[at]:
                found.write(block.start + at, data[at : at + 1])
    assert found == image
    assert made.left_out == ()


def test_too_many_bytes() -> None:
    """What does not fit is left out by address, what is asked for first is in, and what is missing is counted."""
    image = SparseBytes()
    image.write(0x6000_0000, random.Random(1).randbytes(3 << 20))
    last = Span(0x602F_FF00, 16)
    made = embedded_bytes(image, [last])
    assert sum(len(block.text) for block in made.blocks) <= MAX_BYTES_TEXT
    assert any(Span(block.start, block.size).covers(last) for block in made.blocks)
    assert made.bytes_left_out == image.size - sum(block.size for block in made.blocks)
    assert sum(span.size for span in made.left_out) == made.bytes_left_out > 0


def test_scattered_bytes() -> None:
    """A hostile file of one byte in each of many places makes neither a large page nor a long wait."""
    image = SparseBytes()
    for at in range(6000):
        image.write(at * 0x2_0000, b"\x55")
    with within(4):
        page = pages.alone(image)
    assert len(page) < 3 << 20


def test_too_many_symbols() -> None:
    """Where names take too much room the largest symbols stay, and the page counts the others."""
    names = random.Random(2)
    symbols = [
        SymbolSpec(
            "".join(names.choices("abcdefghijklmnopqrstuvwxyz0123456789", k=190)),
            small_device.STATION + 1,
            2 + at % 7,
        )
        for at in range(12_000)
    ]
    subject = pages.inspection(symbols=symbols)
    made = embedded_symbols(build_symbols(subject))
    assert len(made.text) <= MAX_SYMBOL_TEXT
    assert made.left_out > 0
    kept = json.loads(zlib.decompress(base64.b64decode(made.text)))[0]
    assert min(kept["size"]) >= 4
    assert f"{made.left_out:,} symbols, the smallest, are left out" in pages.shown(subject)


def test_every_byte_is_said() -> None:
    """A small page says that it carries every byte."""
    assert "It carries every byte of the image." in MADE["sound"]()


def test_files_without_a_layout_are_not_judged() -> None:
    """A page of ``show`` does not look like a verdict."""
    for name in ("shown", "alone"):
        assert "Not judged." in MADE[name]()
        assert "PASS" not in MADE[name]().partition("<main")[0].partition("<body")[2]
