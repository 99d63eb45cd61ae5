"""What can be exported: one description each, found by name."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from gemel.structs import Struct

if TYPE_CHECKING:
    from gemel.layout.reader import ReadLayout


class Export(Struct):
    """One thing that gemel writes out: its name on the command line, its file name and how it is made.

    ``text`` makes what is the same for every product, ``of_layout`` what a layout says by the view of a core.
    """

    name: str
    meaning: str
    file_name: str
    text: Callable[[], str] | None = None
    of_layout: Callable[[ReadLayout, str], str] | None = None


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


def _layout_check_schema() -> str:
    from gemel.checking.layout_report import LayoutReport
    from gemel.text.as_json import json_text, schema_of

    return json_text(schema_of(LayoutReport, "gemel check of a layout, format 1"))


def _problem_schema() -> str:
    from gemel.text.as_json import json_text
    from gemel.workflows.problem_report import problem_schema

    return json_text(problem_schema())


def _policy_schema() -> str:
    from gemel.policy.reader import policy_schema
    from gemel.text.as_json import json_text

    return json_text(policy_schema())


def _show_schema() -> str:
    from gemel.show.as_json import show_schema
    from gemel.text.as_json import json_text

    return json_text(show_schema())


def _compare_schema() -> str:
    from gemel.comparing.as_json import compare_schema
    from gemel.text.as_json import json_text

    return json_text(compare_schema())


def _where_schema() -> str:
    from gemel.lookup.as_json import where_schema
    from gemel.text.as_json import json_text

    return json_text(where_schema())


def _of_layout(name: str, meaning: str, file_name: str) -> Export:
    """An export whose template has the name of its file."""

    def made(read: ReadLayout, core: str) -> str:
        from gemel.export.from_layout.templates import from_layout

        return from_layout(file_name, read, core)

    return Export(name, meaning, file_name, of_layout=made)


EXPORTS = (
    _of_layout("linker", "a core's MEMORY and symbols, for GNU ld and lld", "layout.ld"),
    _of_layout("c-header", "a core's addresses and sizes as C99 macros, with checks", "layout.h"),
    _of_layout("rust", "the same as Rust constants", "layout.rs"),
    _of_layout("cmake", "a CMake function that joins and checks", "gemel.cmake"),
    _of_layout("make", "the same as rules for GNU make", "gemel.mk"),
    _of_layout("debugger", "a gdb script for both cores", "gemel.gdb"),
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
        "show-schema", "the JSON Schema of `gemel show --format json`", "gemel-show.schema.json", _show_schema
    ),
    Export(
        "compare-schema",
        "the JSON Schema of `gemel compare --format json`",
        "gemel-compare.schema.json",
        _compare_schema,
    ),
    Export(
        "where-schema",
        "the JSON Schema of `gemel where --format json`",
        "gemel-where.schema.json",
        _where_schema,
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
        _layout_check_schema,
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
