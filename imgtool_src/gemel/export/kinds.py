"""What can be exported: one description each, found by name."""

from __future__ import annotations

from collections.abc import Callable

from gemel.structs import Struct


class Export(Struct):
    """One thing that gemel hands out: its name on the command line, its file name and how it is made."""

    name: str
    meaning: str
    file_name: str
    text: Callable[[], str]


def _c_reader() -> str:
    from gemel.export.c_reader import c_reader

    return c_reader()


def _layout_schema() -> str:
    from gemel.layout.schema import layout_schema
    from gemel.text.as_json import json_text

    return json_text(layout_schema())


def _check_schema() -> str:
    from gemel.checking.reports.as_json import check_schema
    from gemel.text.as_json import json_text

    return json_text(check_schema())


def _policy_schema() -> str:
    from gemel.policy.reader import policy_schema
    from gemel.text.as_json import json_text

    return json_text(policy_schema())


EXPORTS = (
    Export(
        "c-reader",
        "one C99 header that finds and checks the record and walks its seal, for boot code",
        "gemel_record.h",
        _c_reader,
    ),
    Export(
        "schema",
        "the JSON Schema of the layout language, for editors",
        "gemel-layout.schema.json",
        _layout_schema,
    ),
    Export(
        "check-schema",
        "the JSON Schema of `gemel check --format json`",
        "gemel-check.schema.json",
        _check_schema,
    ),
    Export(
        "policy-schema",
        "the JSON Schema of a receiver's policy, for editors",
        "gemel-policy.schema.json",
        _policy_schema,
    ),
)
"""Everything that can be exported; a further one is one more entry here."""
