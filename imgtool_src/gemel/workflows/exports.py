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


def _rehearsal_schema() -> str:
    from gemel.rehearsal.reports.json import report_schema
    from gemel.text.as_json import json_text

    return json_text(report_schema())


def _explain_schema() -> str:
    from gemel.checking.explained import explain_schema
    from gemel.text.as_json import json_text

    return json_text(explain_schema())


def _layout_report_schema() -> str:
    from gemel.checking.layout_report import LayoutReport
    from gemel.text.as_json import json_text, schema_of

    return json_text(schema_of(LayoutReport, "gemel check of a layout, format 1"))


def _show_schema() -> str:
    from gemel.show.as_json import show_schema
    from gemel.text.as_json import json_text

    return json_text(show_schema())


def _compare_schema() -> str:
    from gemel.compare.as_json import compare_schema
    from gemel.text.as_json import json_text

    return json_text(compare_schema())


def _problem_schema() -> str:
    from gemel.text.as_json import json_text
    from gemel.workflows.problem_report import problem_schema

    return json_text(problem_schema())


def _policy_schema() -> str:
    from gemel.policy.reader import policy_schema
    from gemel.text.as_json import json_text

    return json_text(policy_schema())


EXPORTS = (
    Export(
        "c-reader",
        "a C99 header for boot code: record and seal",
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
        "show-schema",
        "the JSON Schema of `gemel show --format json`",
        "gemel-show.schema.json",
        _show_schema,
    ),
    Export(
        "compare-schema",
        "the JSON Schema of `gemel compare --format json`",
        "gemel-compare.schema.json",
        _compare_schema,
    ),
    Export(
        "rehearse-schema",
        "the JSON Schema of `gemel rehearse --format json`",
        "gemel-rehearse.schema.json",
        _rehearsal_schema,
    ),
    Export(
        "explain-schema",
        "the JSON Schema of `gemel explain --format json`",
        "gemel-explain.schema.json",
        _explain_schema,
    ),
    Export(
        "layout-check-schema",
        "the JSON Schema of `gemel check LAYOUT --format json`",
        "gemel-layout-check.schema.json",
        _layout_report_schema,
    ),
    Export(
        "problem-schema",
        "the JSON Schema of what --format json prints where there is no result",
        "gemel-problem.schema.json",
        _problem_schema,
    ),
    Export(
        "policy-schema",
        "the JSON Schema of a receiver's policy, for editors",
        "gemel-policy.schema.json",
        _policy_schema,
    ),
)
"""Everything that can be exported; a further one is one more entry here."""
