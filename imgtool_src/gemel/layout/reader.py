"""Reading a layout: TOML text to the frozen model, with every fault of it reported at once.

The stages: the TOML parser; keys and values by the model's own declarations; names, which must exist; then
what the parts say about each other (``CHECKS``) and what further rooms have to say.  A fault of an
earlier stage hides the later stages, since what they would say might only be its echo.
"""

from __future__ import annotations

import hashlib
import re
import tomllib
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any

from gemel.errors import GemelError, LayoutError, Problem
from gemel.files.contents import LOOK, foreign, instead_of_toml
from gemel.files.paths import FilePath
from gemel.layout.checks.areas import area_faults, build_faults, record_faults, security_faults
from gemel.layout.checks.cores import contract_faults, core_faults
from gemel.layout.checks.memories import memory_faults
from gemel.layout.checks.names import unknown_names
from gemel.layout.checks.rehearsal import rehearsal_faults
from gemel.layout.checks.values import value_faults
from gemel.layout.digest import digest_of
from gemel.layout.kinds import INVALID, KeyPath, LayoutFault, in_toml_words
from gemel.layout.model import Layout
from gemel.layout.tables import OF_OTHERS, Table, dotted
from gemel.structs import NamedTuple, Struct
from gemel.text.escaping import in_toml

LayoutCheck = Callable[[Layout], Iterable[LayoutFault]]
"""A check of a layout: one of this room, or of one that knows more, such as checksum algorithms."""

CHECKS: tuple[LayoutCheck, ...] = (
    memory_faults,
    core_faults,
    area_faults,
    security_faults,
    build_faults,
    contract_faults,
    record_faults,
    value_faults,
    rehearsal_faults,
)
"""What the parts of a layout must say about each other, by subject; every name in it exists already, and none of these
relies on another having passed."""

MAX_BYTES = 1 << 19
"""A layout file over 512 KiB is refused: none is that large, and each MiB of short values takes the parser a second."""

MAX_FAULTS = 100
"""Faults reported of one file; with more of them, these are corrected first."""

MAX_KEY_PARTS = 64
"""Parts of a dotted key; the parser's time grows with their square, and a layout's keys have five."""

_LONG_KEY = r"""(?<![A-Za-z0-9_-])(?:(?:[A-Za-z0-9_-]++|"[^"]*+"|'[^']*+')[ \t]*+\.[ \t]*+){64}"""

MAX_COMPARED = 200
"""Characters of a line that are compared with usual slips."""

EXPECTED = "TOML 1.0 (toml.io)"

_SLIPS = (
    (
        r"=\s*(?:0[0-9A-Fa-f_]+|0?x?[0-9A-Fa-f_]+h)\b",
        "write hexadecimal numbers with 0x before them, and nothing after them",
    ),
    (r"=\s*[0-9_]+ *(?:[kKMG]i?B?|B)\b", 'put a size with a unit in quotes, such as "4 KiB"'),
    (r"=\s*0X[0-9A-Fa-f_]+\b", "write 0x with a small x"),
    (r"=\s*0x[0-9A-Fa-f_]*[G-Zg-z]", "write hexadecimal digits alone after 0x: 0 to 9, A to F"),
    (r"=\s*[0-9]+\.[0-9]+\.[0-9]{1,3}\b", 'put a version in quotes, such as "1.0.0"'),
    (
        r"=\s*[0-9]{1,4}[./][0-9]{1,2}[./][0-9]{2,4}\b|=\s*[0-9]{1,2}-[0-9]{1,2}-[0-9]{4}\b",
        "write a date as year, month and day, without quotes: 2027-06-30",
    ),
    (r"^\[[\w.\"-]+\]\s*(?:#.*)?$", "a table is written once: put all of its keys together"),
    (r"=\s*(?i:true|false|yes|no|on|off)\s*(?:#.*)?$", "write true or false, in small letters"),
    (r"=\s*\[?\s*[‘’“”]", 'put text in plain quotes, such as "flash"'),
    (r"=\s*\[[^\"']*[A-Za-z]|^[A-Za-z][\w.-]*\s*,", 'put each text of a list in quotes, such as ["flash"]'),
    (r"^[^=#]+=\s*(?!true\b|false\b|inf\b|nan\b)[A-Za-z]", 'put text in quotes, such as "flash"'),
    (r"^[\w.-]+\s*:", "write = between a key and its value"),
    (r"^(?://|;|/\*)", "begin a comment with #"),
)
"""What a line that is not TOML may have been meant as, and what to write instead."""

_FORMAT = r"(?m)^[ \t]*format[ \t]*="


class FileOfToml(NamedTuple):
    """A kind of file in TOML: its name for people, what to do where another file is given, the error to raise."""

    name: str
    instead: str
    error: type[GemelError]

    def text_of(self, data: bytes, file: str) -> str:
        """``data`` as text; raises the kind's error where it is not UTF-8."""
        try:
            return data.decode("utf-8-sig").replace("\r\n", "\n")
        except UnicodeDecodeError as error:
            line = data[: error.start].count(b"\n") + 1
            other = foreign(data[:LOOK], text=True)
            found = other.words if other else f"byte 0x{data[error.start]:02X}"
            step = other.step if other else "save it as UTF-8"
            where = file if other else f"{file}:{line}"
            what = f"the {self.name} is not UTF-8 text"
            raise self.error(what, where=where, found=found, expected="UTF-8", next_step=step) from error

    def document_of(self, text: str, file: str) -> dict[str, Any]:
        """The tables in ``text``; raises the kind's error."""
        try:
            return tomllib.loads(text)
        except RecursionError as error:
            what = f"the {self.name} is nested too deeply"
            raise self.error(what, where=file, expected="tables of tables") from error
        except ValueError as error:  # TOMLDecodeError, or a plain one for a number of thousands of digits
            raise self.error(self._problem(error, file, text)) from error

    def _problem(self, error: ValueError, file: str, text: str) -> Problem:
        message = str(error)
        if not isinstance(error, tomllib.TOMLDecodeError):
            digits = re.search(r"[0-9_]{4300,}", text)
            line = text.count("\n", 0, digits.start()) + 1 if digits else 1
            what = "a number of too many digits"
            return Problem(
                what, where=f"{file}:{line}", found=message, expected="a number of at most 64 bits"
            )
        match = re.search(r"\(at line (\d+), column \d+\)", message)
        lines = text.rstrip("\n").split("\n")
        line = int(match[1]) if match else len(lines)
        written = lines[line - 1].strip() if match and line <= len(lines) else ""
        if other := instead_of_toml(text[:LOOK].encode("utf-8", "replace")):
            what = f"this is not a {self.name}"
            return Problem(what, where=file, found=other, expected=EXPECTED, next_step=self.instead)
        found = in_toml(written)
        if found and not re.search(_FORMAT, text):
            # Another file, perhaps one with a secret in it: not a word of it.
            written, found = "", "a line of a file without the key format"
        reason = in_toml(re.sub(r"\s*\(at .*\)$", "", message), 200)
        twice = "a key is written once: remove one of the two" if reason == "Cannot overwrite a value" else ""
        return Problem(
            f"not valid TOML: {reason}",
            where=f"{file}:{line}",
            found=found or "the end of the file",
            expected=EXPECTED,
            next_step=twice
            or next((step for pattern, step in _SLIPS if re.search(pattern, written[:MAX_COMPARED])), ""),
        )


_LAYOUT = FileOfToml(
    "layout",
    "give the layout here; builds are given as NAME=FILE, and an image after the layout",
    LayoutError,
)


class NoLayoutError(LayoutError):
    """The file is TOML of another kind: it has keys, and none of a layout."""


class ReadLayout(Struct):
    """A valid layout, the file it came from and the digest that the record keeps of it.

    ``file_sha256`` is that of the file's own bytes, comments and rules included; ``paths_outside`` says whether
    its paths may lead out of its folder.
    """

    layout: Layout
    file: str
    digest: bytes
    text: str
    file_sha256: bytes = b""
    paths_outside: bool = False

    @property
    def name(self) -> str:
        """The file's name without its folder, for reports, which hold no paths."""
        return FilePath(self.file).name

    @property
    def given(self) -> bool:
        """Whether it came from a file; false of one that was made of what an image's record says."""
        return bool(self.text)

    def at(self, path: KeyPath) -> str:
        """``file:line`` of a key, for messages."""
        from gemel.layout.positions import lines_of

        return f"{self.file}:{lines_of(self.text, [path])[0]}"


def read_layout(data: bytes, file: str, also: Sequence[LayoutCheck] = ()) -> ReadLayout:
    """Read the layout in ``data``; ``file`` is its name in messages.

    ``also`` are further checks, which may count on every name in the layout to exist.  Raises LayoutError
    with all faults (the first MAX_FAULTS of them) in the order of the file, each with file, line, key,
    found and expected.
    """
    document, text = _parse(data, file)
    if strange := Table(Layout).none_known(document, "layout", OF_OTHERS):
        raise NoLayoutError(problems_of([strange], file, text))
    faults: list[LayoutFault] = []
    layout = _layout_in(document, faults)
    if not faults:
        _gather(faults, unknown_names(layout))
    if not faults:
        _gather(faults, _all_checks(layout, also))
    if faults:
        raise LayoutError(problems_of(faults, file, text))
    return ReadLayout(layout, file, digest_of(layout), text, hashlib.sha256(data).digest())


class _EnoughFaults(Exception):
    """Stops a stage that found more than MAX_FAULTS faults."""


def _layout_in(document: dict[str, Any], faults: list[LayoutFault]) -> Any:
    """The model of ``document``; INVALID and ``faults`` filled where it has any."""

    def report(fault: LayoutFault) -> None:
        faults.append(fault)
        if len(faults) > MAX_FAULTS:
            raise _EnoughFaults

    version = document.get("format")
    if isinstance(version, int) and not isinstance(version, bool) and version != 1:
        faults.append(
            LayoutFault(
                ("format",),
                "unknown format of the layout",
                found=in_toml_words(version),
                expected="1",
                next_step="this gemel reads format 1; another one may read this file",
            )
        )
        return INVALID
    try:
        return Table(Layout).read(document, (), report)
    except _EnoughFaults:
        return INVALID


def _gather(faults: list[LayoutFault], found: Iterable[LayoutFault]) -> None:
    for fault in found:
        faults.append(fault)
        if len(faults) > MAX_FAULTS:
            return


def _all_checks(layout: Layout, also: Sequence[LayoutCheck]) -> Iterator[LayoutFault]:
    """Faults of this room, then of the others, each key that is already at fault left out."""
    reported = set()
    for fault in (fault for check in CHECKS for fault in check(layout)):
        reported.add(fault.path)
        yield fault
    for check in also:
        for fault in check(layout):
            if fault.path not in reported:
                yield fault


def _parse(data: bytes, file: str) -> tuple[dict[str, Any], str]:
    if len(data) > MAX_BYTES:
        found, expected = f"{len(data):,} bytes", f"at most {MAX_BYTES:,} bytes"
        raise LayoutError("the layout file is too large", where=file, found=found, expected=expected)
    text = _LAYOUT.text_of(data, file)
    _refuse_long_keys(text, file)
    return _LAYOUT.document_of(text, file), text


def _refuse_long_keys(text: str, file: str) -> None:
    for number, line in enumerate(text.split("\n"), 1):
        if line.count(".") >= MAX_KEY_PARTS and re.search(_LONG_KEY, line):
            where, expected = f"{file}:{number}", f"at most {MAX_KEY_PARTS} parts, joined by dots"
            raise LayoutError("a key of too many parts", where=where, found=in_toml(line), expected=expected)


def problems_of(faults: list[LayoutFault], file: str, text: str) -> list[Problem]:
    """The faults as problems, by line; where there are too many of them the last one says so."""
    from gemel.layout.positions import lines_of

    shown = faults[:MAX_FAULTS]
    lines = lines_of(text, [fault.path for fault in shown])
    placed = sorted(zip(lines, shown, strict=True), key=lambda pair: pair[0])
    problems = [
        Problem(
            f"{fault.what}: {dotted(fault.path)}" if fault.path else fault.what,
            where=f"{file}:{line}",
            found=fault.found,
            expected=fault.expected,
            next_step=fault.next_step,
        )
        for line, fault in placed
    ]
    if len(faults) > MAX_FAULTS:
        hint = "correct these first"
        problems.append(Problem(f"there are more than {MAX_FAULTS} faults", where=file, next_step=hint))
    return problems
