"""The page of the record's format."""

from __future__ import annotations

import hashlib
import json
import re
import tomllib

import pytest

from gemel.joining.values import in_order_of_record
from gemel.layout.digest import digest_of
from gemel.layout.kinds import Key
from gemel.layout.model import BuildPlan, Layout, SealPlan
from gemel.layout.reader import read_layout
from gemel.placement.placed import PlacedBuild
from gemel.record.format import BUILD, HEADER, MARK, RecordFault, RecordField
from gemel.record.page import page
from gemel.spans import Span
from gemel.structs import fields

PAGE = page()


def test_fits_80_columns() -> None:
    """Every line fits a terminal of 80 columns, without trailing blanks."""
    for line in PAGE.splitlines():
        assert len(line) <= 79, line
        assert line == line.rstrip()


def described(section: str) -> list[tuple[int, int, str]]:
    """Offset, size and name of every row of the table in one section of the page."""
    text = PAGE[PAGE.index(section) :]
    text = text[text.index("from  size") :].split("\n\n")[0]
    rows = re.findall(r"^0x([0-9A-F]{2})\s+(\d+)\s+\S+\s+(\w+)\s+\S", text, re.MULTILINE)
    return [(int(offset, 16), int(size), name) for offset, size, name in rows]


@pytest.mark.parametrize(("section", "table"), [("Header\n", HEADER), ("Entry of a build\n", BUILD)])
def test_rows_agree_with_the_table(section: str, table: tuple[RecordField, ...]) -> None:
    """The page lists every field of the table at its offset with its size, in order, and no other."""
    assert described(section) == [(field.offset, field.size, field.name) for field in table]


@pytest.mark.parametrize(("section", "table"), [("Header\n", HEADER), ("Entry of a build\n", BUILD)])
def test_diagram_agrees_with_the_table(section: str, table: tuple[RecordField, ...]) -> None:
    """In the diagram each box starts in its byte's column and is as wide as its field, up to a line."""
    text = PAGE[PAGE.index(section) :]
    boxes = []
    for line in text[: text.index("from  size")].splitlines():
        if line.startswith("0x"):
            column = 5
            for label in line[6:].rstrip("|").split("|"):
                boxes.append(
                    (int(line[2:4], 16) + (column - 5) // 8, (len(label) + 1) // 8, label.split()[0])
                )
                column += len(label) + 1
    assert boxes == [(field.offset, min(field.size, 8), field.name) for field in table]


def test_says_what_readers_rely_on() -> None:
    """Mark, size, CRC check value, every fault, and the cautions are on the page."""
    assert MARK.hex(" ").upper() in PAGE
    assert "516 bytes for two builds, 2,756 bytes for 16" in PAGE
    assert "0xCBF43926" in PAGE
    flowed = " ".join(PAGE.split())
    for fault in RecordFault:
        assert (fault.meaning in flowed) == (fault is not RecordFault.NO_FIT)
    assert "not a safety approval" in PAGE
    assert "anyone can change a record" in flowed


def test_tells_the_order_of_entries_that_join_keeps() -> None:
    """Entries stand by stored address, as the page says, when the layout names the builds the other way."""
    builds = {
        name: PlacedBuild(name, name, Span(start, start + 16), start, start, None)
        for name, start in (("sampler", 0x1004_0000), ("station", 0x1000_0000))
    }
    starts = [build.stored.start for build in in_order_of_record(builds)]
    assert starts == sorted(starts)
    assert "The entries are in ascending order of stored_start" in PAGE


def test_names_every_key_that_the_layout_s_digest_leaves_out() -> None:
    """Tables and keys that do not enter the digest are named on the page; of the seal only its area does."""
    paragraph = PAGE[PAGE.index("The layout: its parsed TOML") :].split("\n\n")[0]
    keys = {
        model: {name: key for name, key in fields(model).items() if isinstance(key, Key)}
        for model in (Layout, BuildPlan, SealPlan)
    }
    left_out = [
        name for model in (Layout, BuildPlan) for name, key in keys[model].items() if not key.digested
    ]
    assert left_out
    for name in left_out:
        assert f"`{name}`" in paragraph
    assert [name for name, key in keys[SealPlan].items() if key.digested] == ["area"]
    assert "of `seal` all but its area" in " ".join(paragraph.split())


def _indented(after: str) -> list[str]:
    """The next lines of the page that are indented by four, without the indent."""
    text = PAGE[PAGE.index(after) + len(after) :].strip("\n")
    lines = text[: re.search(r"^\S", text, re.MULTILINE).start()].rstrip().splitlines()  # type: ignore[union-attr]
    return [line[4:] for line in lines]


def test_the_layout_s_digest_follows_from_the_page_alone() -> None:
    """By what the page says, the example's TOML gives the example's JSON and digest; gemel's are the same."""
    written = "\n".join(_indented("For example, this layout\n"))
    parsed = tomllib.loads(written)
    units = {"KiB": 1024}
    for table in (*parsed["memory"].values(), *parsed["area"].values()):
        if isinstance(table["size"], str):
            number, unit = table["size"].split()
            table["size"] = int(number) * units[unit]
    del parsed["memory"]["flash"]["erased_byte"], parsed["build"]["station"]["path"]
    json_text = "".join(_indented("joined without anything between them,\n"))
    assert json.dumps(parsed, sort_keys=True, separators=(",", ":"), ensure_ascii=False) == json_text
    (digest,) = _indented("is the digest:\n")
    assert hashlib.sha256(json_text.encode()).hexdigest() == digest
    assert digest_of(read_layout(written.encode(), "example.toml").layout).hex() == digest
