"""Results of an audit as rows of CSV (RFC 4180), which no spreadsheet takes for formulas."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable

from gemel.audit.result import ImageResult
from gemel.text.escaping import on_one_line

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
