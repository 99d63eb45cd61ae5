"""What images are found by: ``version=1.4.2``, ``build-id=df5b8d66``, and the like."""

from __future__ import annotations

import re
from collections.abc import Iterator

from gemel.audit.result import ImageResult
from gemel.errors import UsageProblem, nearest_hint
from gemel.structs import NamedTuple

FIELDS = ("version", "build-id", "key", "digest", "layout", "product", "finding")
DIGITS = ("build-id", "key", "digest", "layout")
"""Fields whose values are hexadecimal digits, of which the first ones will do."""

MIN_DIGITS = 4
_AFTER_DIGITS = "g"
"""Sorts after every hexadecimal digit."""


class Term(NamedTuple):
    """A field and a value of it, or of ``DIGITS`` its first digits."""

    field: str
    value: str

    @property
    def condition(self) -> tuple[str, tuple[str, ...]]:
        """What rows of the table of terms fit, as a condition of SQL and its values."""
        if self.field in DIGITS:
            return "field = ? AND value >= ? AND value < ?", (
                self.field,
                self.value,
                self.value + _AFTER_DIGITS,
            )
        return "field = ? AND value = ?", (self.field, self.value)


def term_in(text: str) -> Term:
    """The term in FIELD=VALUE; raises UsageProblem."""
    field, _, value = text.partition("=")
    if field not in FIELDS or not value:
        expected = f"FIELD=VALUE, the field {', '.join(FIELDS)} or image"
        step = nearest_hint(field, FIELDS) if field not in FIELDS else "write the value after the ="
        if not value and re.fullmatch(r"[0-9A-Fa-f]+", field):
            step = f"write build-id={field}, key={field} or digest={field}"
        raise UsageProblem(
            "this searches for nothing", where="--find", found=text, expected=expected, next_step=step
        )
    if field not in DIGITS:
        return Term(field, value.encode("utf-8", "backslashreplace").decode())  # of a shell, of any bytes
    digits = value.lower().removeprefix("0x")
    if len(digits) < MIN_DIGITS or digits.strip("0123456789abcdef"):
        expected = f"at least the first {MIN_DIGITS} hexadecimal digits"
        raise UsageProblem(f"not a {field}", where="--find", found=value, expected=expected)
    return Term(field, digits)


def terms_of(result: ImageResult) -> Iterator[Term]:
    """All that an image is found by."""
    for field, value in (
        ("version", result.version),
        ("product", result.product),
        ("digest", result.sha256),
        ("digest", result.content_sha256),
        ("layout", result.layout_digest),
    ):
        if value is not None:
            yield Term(field, value)
    for build in result.builds:
        if build.build_id:
            yield Term("build-id", build.build_id)
    for signer in result.signers:
        yield Term("key", signer.key)
    for finding in result.findings:
        yield Term("finding", finding.rule)
    for rule in result.led_to:
        yield Term("finding", rule)
