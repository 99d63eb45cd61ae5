"""Results of an audit as text, a line an image, and its last lines: what it comes to."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from gemel.audit.result import EXIT_CODES, ImageResult, ImageStatus
from gemel.text.escaping import on_one_line
from gemel.text.wrapping import first_of

WORDS: dict[ImageStatus, str] = {"passes": "PASS", "broken": "FAIL", "not judged": "----"}
RECORD, SEAL = "record-sound", "seal-well-formed"
"""The rules by which an image has no sound record, and a seal that cannot be read."""

SHOWN_DIGITS = 16


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
        f"{each.algorithm} key {each.key[:SHOWN_DIGITS]}...{'' if each.counted else ' NOT VERIFIED'}"
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
