"""Results of an audit as text and as CSV, a line an image, and their last lines: what it comes to."""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Callable, Iterator

from gemel.audit.result import EXIT_CODES, ImageResult, ImageStatus
from gemel.text.escaping import on_one_line
from gemel.text.wrapping import first_of

WORDS: dict[ImageStatus, str] = {"passes": "PASS", "broken": "FAIL", "not judged": "----"}
RECORD, SEAL = "record-sound", "seal-well-formed"
"""The rules by which an image has no sound record, and a seal that cannot be read."""

DIGITS = 16


class Totals:
    """What an audit comes to; results are counted, not kept."""

    def __init__(self) -> None:
        self.statuses: Counter[ImageStatus] = Counter()
        self.rules: Counter[str] = Counter()
        self.duplicates = self.unchanged = self.unverified = self.most_not_checked = 0

    def add(self, result: ImageResult) -> None:
        """Count a result."""
        self.statuses[result.status] += 1
        self.rules.update(result.broken_rules if result.status == "broken" else ())
        self.duplicates += result.duplicate_of is not None
        self.unchanged += result.unchanged
        counted = [each.counted for each in result.signers]
        self.unverified += result.status == "passes" and bool(counted) and not any(counted)
        self.most_not_checked = max(self.most_not_checked, result.rules_not_checked)

    @property
    def images(self) -> int:
        """How many results there are."""
        return self.statuses.total()

    @property
    def exit_code(self) -> int:
        """The highest that ``gemel check`` of one of them ends with; 2 for none at all."""
        return max((EXIT_CODES[status] for status in self.statuses), default=2)

    def lines(self) -> Iterator[str]:
        """For people: the rules that are broken, oddities, and last of all how many images pass."""
        for rule, count in sorted(self.rules.items(), key=lambda pair: (-pair[1], pair[0])):
            yield f"broken {rule}: {_images(count)}"
        if self.duplicates:
            yield f"duplicates, by content: {self.duplicates:,}"
        if self.unchanged:
            yield f"not read again, as the index knows them: {self.unchanged:,}"
        if self.statuses["not judged"]:
            yield "gemel check of an image that was not judged says what to do"
        if self.most_not_checked:
            yield f"not checked: up to {self.most_not_checked} rules an image; gemel check of one lists them"
            yield "A passing check is evidence, not a safety approval."
        verdict = "PASS" if self.exit_code == 0 else "FAIL"
        counts = [f"{self.statuses['passes']:,} pass"]
        counts += [f"{self.statuses['broken']:,} broken", f"{self.statuses['not judged']:,} not judged"]
        unverified = f"; {self.unverified:,} sealed and NOT VERIFIED" if self.unverified else ""
        yield f"{verdict}: {_images(self.images)}: {', '.join(counts)}{unverified}."


def text_line(result: ImageResult) -> str:
    """A result as a line: the verdict, the file, what the image says it is, whose it is, what is wrong with it."""
    path = on_one_line(result.path)
    parts = []
    rules = (*result.broken_rules, *result.led_to)
    if result.product is not None:
        parts.append(f"{result.product} {result.version}, rollback {result.rollback}")
    elif result.status != "not judged" and RECORD in rules:
        parts.append("no sound record")
    if result.blocks_found:
        parts.append(f"has {result.blocks_found}")
    parts += [
        f"{each.algorithm} key {each.key[:DIGITS]}...{'' if each.counted else ' NOT VERIFIED'}"
        for each in result.signers
    ]
    if result.status != "not judged" and not result.signers:
        parts.append("not sealed" if SEAL not in rules else "the seal is malformed")
    if result.status == "not judged":
        parts.append(f"not judged: {result.problem}")
    rules = result.broken_rules
    if rules:
        label = "broken" if result.status == "broken" else result.findings[0].severity
        parts.append(f"{label} {first_of(rules)}")
    if result.gone:
        parts.append("the file is no longer there")
    if result.duplicate_of is not None:
        parts.append(f"duplicate of {result.duplicate_of}")
    said = on_one_line("; ".join(parts))
    return f"{WORDS[result.status]} {path}: {said}" if said else f"{WORDS[result.status]} {path}"


def _images(count: int) -> str:
    return f"{count:,} image{'' if count == 1 else 's'}"


FORMULA_STARTS = ("=", "+", "-", "@", "'", "\uff1d", "\uff0b", "\uff0d", "\uff20")
"""What a cell may not begin with, since spreadsheets compute it (common practice); the wide forms count too."""

COLUMNS: dict[str, Callable[[ImageResult], object]] = {
    "status": lambda each: each.status,
    "path": lambda each: each.path,
    "product": lambda each: each.product,
    "version": lambda each: each.version,
    "rollback": lambda each: each.rollback,
    "build ids": lambda each: " ".join(f"{build.name}={build.build_id or ''}" for build in each.builds),
    "keys": lambda each: " ".join(signer.key for signer in each.signers if signer.counted),
    "keys not verified": lambda each: " ".join(signer.key for signer in each.signers if not signer.counted),
    "findings": lambda each: " ".join(dict.fromkeys(finding.rule for finding in each.findings)),
    "rules not checked": lambda each: each.rules_not_checked,
    "problem": lambda each: each.problem,
    "duplicate of": lambda each: each.duplicate_of,
    "blocks found": lambda each: each.blocks_found,
    "gone": lambda each: "gone" if each.gone else "",
    "layout": lambda each: each.layout,
    "size": lambda each: each.size,
    "SHA-256": lambda each: each.sha256,
    "content SHA-256": lambda each: each.content_sha256,
    "layout digest": lambda each: each.layout_digest,
}
"""Each column and what stands in it."""


def header() -> str:
    """The row of the columns' names, with its line end."""
    return _row(list(COLUMNS))


def csv_row(result: ImageResult) -> str:
    """A result as a row, with its line end."""
    return _row([_cell(value(result)) for value in COLUMNS.values()])


def _cell(value: object) -> str:
    text = "" if value is None else on_one_line(str(value))
    return f"'{text}" if text.lstrip().startswith(FORMULA_STARTS) else text


def _row(cells: list[str]) -> str:
    row = io.StringIO()
    csv.writer(row, quoting=csv.QUOTE_ALL).writerow(cells)
    return row.getvalue()
