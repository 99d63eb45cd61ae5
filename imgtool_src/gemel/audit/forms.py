"""The forms that results of an audit are written in: one line an image in each."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import PurePath

from gemel.audit.as_text import Totals, text_line
from gemel.audit.result import ImageResult, line_of
from gemel.errors import Problem, UsageProblem
from gemel.structs import NamedTuple

BLOCK = 1 << 18


class Form(NamedTuple):
    """A form: its name, the suffix of its files, and what it makes of the start, a result and the end."""

    name: str
    suffix: str
    start: Callable[[], str]
    line: Callable[[ImageResult], str]
    end: Callable[[Totals], str]


def _csv_start() -> str:
    from gemel.audit.as_csv import header

    return header()


def _csv_line(result: ImageResult) -> str:
    from gemel.audit.as_csv import csv_row

    return csv_row(result)


def _text_end(totals: Totals) -> str:
    return "".join(f"{line}\n" for line in totals.lines())


FORMS = (
    Form("text", ".txt", lambda: "", lambda result: f"{text_line(result)}\n", _text_end),
    Form("csv", ".csv", _csv_start, _csv_line, lambda _: ""),
    Form("jsonl", ".jsonl", lambda: "", lambda result: f"{line_of(result)}\n", lambda _: ""),
)
NAMES = tuple(each.name for each in FORMS)


def form_named(name: str) -> Form:
    """The form of that name."""
    return next(each for each in FORMS if each.name == name)


def form_of(file: str) -> Form:
    """The form that a file's suffix means; raises UsageProblem for any other."""
    suffix = PurePath(file).suffix.lower()
    for each in FORMS:
        if each.suffix == suffix:
            return each
    expected = ", ".join(each.suffix for each in FORMS)
    raise UsageProblem(
        Problem(
            "the suffix names no form of an audit", where=file, found=suffix or "no suffix", expected=expected
        )
    )


class Spool:
    """A report on its way, in a temporary file: it is written as results come, and read when all have."""

    def __init__(self, form: Form) -> None:
        from tempfile import TemporaryFile

        self._form, self._file = form, TemporaryFile()  # noqa: SIM115 (closed by ``blocks``)
        self._write(form.start())

    def add(self, result: ImageResult) -> None:
        """Write a result."""
        self._write(self._form.line(result))

    def blocks(self, totals: Totals) -> Iterator[bytes]:
        """The whole report, in blocks."""
        self._write(self._form.end(totals))
        with self._file as file:
            file.seek(0)
            while block := file.read(BLOCK):
                yield block

    def _write(self, text: str) -> None:
        self._file.write(text.encode("utf-8", "backslashreplace"))
