"""The forms of results: one line an image, whatever names it has, and no cell that a spreadsheet computes."""

from __future__ import annotations

import csv
import io
import json
import os

import pytest
from audited import page, result

from gemel.audit.as_text import COLUMNS, Totals, csv_row, header, text_line
from gemel.audit.result import AuditedFinding, ImageResult
from gemel.errors import UsageProblem
from gemel.workflows.auditing.forms import Spool, form_named, form_of

HOSTILE = [
    "=HYPERLINK(1)",
    "+1",
    "-1",
    "@SUM(1)",
    " =1",
    "\t=1",
    "\r=1",
    "\n=1",
    "'=1",
    "\uff1d1",
    "a\nPASS forged.hex",
    'a",=1,"',
    "\x1b[31mred",
    "\u202egnp.xeh",
    os.fsdecode(b"\xff.hex"),
    "a\0b",
]


@pytest.mark.parametrize("name", HOSTILE)
@pytest.mark.parametrize("form", ["text", "csv", "jsonl"])
def test_a_name_never_makes_a_line_or_a_colour(form, name):
    """One line for an image in every form, without control characters."""
    line = form_named(form).writer().line(result(name)).encode("utf-8", "backslashreplace").decode()
    assert line.rstrip("\r\n").isprintable()
    assert len(line.splitlines()) == 1


@pytest.mark.parametrize("name", HOSTILE)
def test_no_cell_is_a_formula(name):
    """No cell begins with what spreadsheets compute (common practice: = + - @), with white space before it or not."""
    (cells,) = csv.reader(io.StringIO(csv_row(result(name))))
    assert len(cells) == len(COLUMNS)
    assert not [cell for cell in cells if cell.strip()[:1] in tuple("=+-@\uff1d")]


def test_plain_values_are_as_they_are():
    """What is no formula is not changed, and rows end as RFC 4180 says."""
    row = csv_row(result("archive/tide 1.hex"))
    assert row.endswith("\r\n")
    cells = dict(zip(*csv.reader(io.StringIO(header() + row)), strict=True))
    assert cells["path"] == "archive/tide 1.hex"
    assert cells["findings"] == "checksums-match"
    assert cells["version"] == "1.2.3"


def test_a_json_line_has_the_name_itself():
    """JSON needs no change of a name: reading it gives the name."""
    for name in HOSTILE:
        data = json.loads(form_named("jsonl").writer().line(result(name)))
        assert data["path"] == name
        assert data["format"] == 1


def test_text():
    """The verdict, the file, what it is, who signed it, what is broken."""
    broken = result("a.hex")
    assert text_line(broken) == (
        "FAIL a.hex: a.hex 1.2.3, rollback None; a.hex key abababababababab... NOT VERIFIED; "
        "broken checksums-match; duplicate of a.hex"
    )
    bad = ImageResult(path="b.hex", status="not judged", problem="no file")
    assert text_line(bad) == "---- b.hex: not judged: no file"


FOUND: dict[str, tuple[dict, str]] = {
    "no seal": ({}, "FAIL a: tide 1.2.3, rollback 1; not sealed; broken r"),
    "a malformed seal": (
        {"led_to": ("seal-well-formed",)},
        "FAIL a: tide 1.2.3, rollback 1; the seal is malformed; broken r",
    ),
    "no record": (
        {"product": None, "led_to": ("record-sound",)},
        "FAIL a: no sound record; not sealed; broken r",
    ),
    "a warning": (
        {"status": "passes", "findings": (AuditedFinding("r", "warning", "w", ""),)},
        "PASS a: tide 1.2.3, rollback 1; not sealed; warning r",
    ),
}
"""What differs in a result, and its line."""


@pytest.mark.parametrize("case", FOUND)
def test_a_line_says_what_a_check_says(case):
    """Whether there is a record and a seal, and how serious a finding is, in the words of ``gemel check``."""
    values = {"product": "tide", "status": "broken", "findings": (AuditedFinding("r", "error", "w", ""),)}
    changed, line = FOUND[case]
    assert text_line(ImageResult(path="a", version="1.2.3", rollback=1, **(values | changed))) == line


@pytest.mark.parametrize(
    ("statuses", "code"),
    [([], 2), (["passes"], 0), (["passes", "broken"], 1), (["broken", "not judged"], 2), (["not judged"], 2)],
)
def test_the_exit_code_is_the_highest(statuses, code):
    """As ``gemel check`` of each would end; an audit of nothing is no success."""
    totals = Totals()
    for status in statuses:
        totals.add(ImageResult(path="a", status=status))
    assert totals.exit_code == code
    assert list(totals.lines())[-1].startswith("PASS" if code == 0 else "FAIL")


def test_reports_are_what_is_printed():
    """A report in a file is the text of all results, start and end included."""
    totals, spool = Totals(), Spool(form_named("csv"))
    spool.add(result("a.hex"))
    assert b"".join(spool.blocks(totals)).decode() == header() + csv_row(result("a.hex"))


def test_the_suffix_means_the_form():
    """In upper or lower case; others are refused."""
    assert form_of("x.CSV").name == "csv"
    with pytest.raises(UsageProblem, match=r"\.jsonl"):
        form_of("x.xlsx")


@pytest.mark.parametrize("name", [*HOSTILE, "<script>alert(1)</script>", '"><img src=x onerror=y>'])
def test_no_name_acts_on_the_page(name):
    """Names are text: no element comes from them, and no control character is there."""
    text = page([result(name)])
    found = elements_of(text)
    assert not found & {"script", "img", "iframe", "form", "object"}
    assert text.replace("\n", "").isprintable()
    assert "checksums-match" in text


def elements_of(text: str) -> set[str]:
    """The names of all elements, by the standard library's parser."""
    from html.parser import HTMLParser

    names: set[str] = set()

    class Elements(HTMLParser):
        def handle_starttag(self, tag: str, _attributes: object) -> None:
            names.add(tag)

    Elements().feed(text)
    return names


def test_the_page_sums_up_and_is_bounded():
    """Verdict, rules and versions count all; of many images the first are listed, those that do not pass first."""
    passing = [
        ImageResult(path=f"{n}.hex", status="passes", product="p", version="1.0.0") for n in range(3000)
    ]
    text = page(
        [*passing, result("bad.hex"), ImageResult(path="c.hex", status="not judged", problem="no file")]
    )
    assert "3,000 pass, 1 broken, 1 not judged." in " ".join(text.split())
    assert "The first 500 of 3,000" in text
    assert text.index("bad.hex") < text.index("499.hex")
    assert "500.hex" not in text
    assert "no file" in text
    assert len(text) < 400_000
    assert "FAIL" in text
    assert "✓ PASS" in page(passing[:1])
    assert "Audit of 0 images" in page([])
