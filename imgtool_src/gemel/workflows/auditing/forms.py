"""The forms that results of an audit are written in: one line an image, one document, or a page that sums them up."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from textwrap import indent
from typing import Protocol

from gemel.audit.as_text import Totals, text_line
from gemel.audit.result import EXIT_CODES, FORMAT, ImageResult, line_of
from gemel.errors import UsageProblem
from gemel.files.paths import FilePath
from gemel.structs import NamedTuple
from gemel.text.as_json import data_of, json_text
from gemel.text.escaping import in_utf_8

BLOCK = 1 << 18


class AuditWriter(Protocol):
    """What makes text of an audit: before the first result, of each result, and after the last."""

    def start(self) -> str:
        """Before the first result."""

    def line(self, result: ImageResult) -> str:
        """Of a result."""

    def end(self, totals: Totals) -> str:
        """After the last result."""


class _Lines:
    """Lines of each result, between a head and a foot."""

    def __init__(
        self, line: Callable[[ImageResult], str], head: str = "", foot: Callable[[Totals], str] = lambda _: ""
    ) -> None:
        self._head, self.line, self.end = head, line, foot

    def start(self) -> str:
        return self._head


def _text() -> AuditWriter:
    return _Lines(
        lambda result: f"{text_line(result)}\n",
        foot=lambda totals: "".join(f"{line}\n" for line in totals.lines()),
    )


def _csv() -> AuditWriter:
    from gemel.audit.as_text import csv_row, header

    return _Lines(csv_row, header())


def _json_lines() -> AuditWriter:
    return _Lines(lambda result: f"{line_of(result)}\n")


class _Json:
    """One document, written as results come: `json_text` of an ``AuditReport``, piece by piece."""

    def __init__(self) -> None:
        self._written = 0

    def start(self) -> str:
        return f'{{\n  "format": {FORMAT},\n  "images": ['

    def line(self, result: ImageResult) -> str:
        self._written += 1
        return ("," if self._written > 1 else "") + "\n" + indent(json_text(data_of(result)).rstrip(), "    ")

    def end(self, totals: Totals) -> str:
        counts = {status: totals.statuses[status] for status in EXIT_CODES}
        rest = json_text({"counts": counts}).removeprefix("{\n")
        return ("\n  ]" if self._written else "]") + f",\n{rest}"


def _html() -> AuditWriter:
    from gemel.page.audit import AuditPage

    return AuditPage()


class AuditForm(NamedTuple):
    """A form: its name, the suffix of its files, and what writes one of them."""

    name: str
    suffix: str
    writer: Callable[[], AuditWriter]


FORMS = (
    AuditForm("text", ".txt", _text),
    AuditForm("csv", ".csv", _csv),
    AuditForm("json", ".json", _Json),
    AuditForm("jsonl", ".jsonl", _json_lines),
    AuditForm("html", ".html", _html),
)


def form_named(name: str) -> AuditForm:
    """The form of that name."""
    return next(each for each in FORMS if each.name == name)


def form_of(file: str) -> AuditForm:
    """The form that a file's suffix means; raises UsageProblem for any other."""
    suffix = FilePath(file).suffix.lower()
    for each in FORMS:
        if each.suffix == suffix:
            return each
    raise UsageProblem(
        "the suffix names no form of an audit",
        where=file,
        found=suffix or "no suffix",
        expected=", ".join(each.suffix for each in FORMS),
        next_step="give the report a name that ends in one of these",
    )


class Spool:
    """A report on its way, in a temporary file: it is written as results come, and read when all have."""

    def __init__(self, form: AuditForm) -> None:
        from tempfile import TemporaryFile

        self._writer, self._file = form.writer(), TemporaryFile()  # noqa: SIM115 (closed by ``blocks``)
        self._write(self._writer.start())

    def add(self, result: ImageResult) -> None:
        """Write a result."""
        self._write(self._writer.line(result))

    def blocks(self, totals: Totals) -> Iterator[bytes]:
        """The whole report, in blocks."""
        self._write(self._writer.end(totals))
        with self._file as file:
            file.seek(0)
            while block := file.read(BLOCK):
                yield block

    def _write(self, text: str) -> None:
        self._file.write(in_utf_8(text))
