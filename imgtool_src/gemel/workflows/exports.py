"""What can be exported: one description each, found by name."""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from typing import TYPE_CHECKING, Any

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


def _layout_check_schema() -> dict[str, Any]:
    from gemel.checking.layout_report import LayoutReport
    from gemel.text.as_json import schema_of

    return schema_of(LayoutReport, "gemel check of a layout, format 1")


def _schema(of: str, meaning: str, function: Callable[[], dict[str, Any]] | str) -> Export:
    """The JSON Schema of what is called ``of``, by a function or its module, imported when needed, and name."""

    def text() -> str:
        from gemel.text.as_json import json_text

        if callable(function):
            return json_text(function())
        module, name = function.split(":")
        return json_text(getattr(import_module(f"gemel.{module}"), name)())

    name = f"{of}-schema" if of != "layout" else "schema"
    return Export(name, f"the JSON Schema of {meaning}", f"gemel-{of}.schema.json", text)


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
    Export("c-reader", "a C99 header for boot code: record and seal", "gemel_record.h", _c_reader),
    _schema("layout", "the layout language, for editors", "layout.schema:layout_schema"),
    _schema("check", "`gemel check --format json`", "checking.reports.as_json:check_schema"),
    _schema("show", "`gemel show --format json`", "show.as_json:show_schema"),
    _schema("compare", "`gemel compare --format json`", "comparing.as_json:compare_schema"),
    _schema("where", "`gemel where --format json`", "lookup.as_json:where_schema"),
    _schema("audit", "`gemel audit --format json`", "workflows.auditing.forms:audit_schema"),
    _schema("rehearse", "`gemel rehearse --format json`", "rehearsal.reports.json:report_schema"),
    _schema("explain", "`gemel explain --format json`", "checking.explained:explain_schema"),
    _schema("layout-check", "`gemel check LAYOUT --format json`", _layout_check_schema),
    _schema(
        "problem",
        "what --format json prints where there is no result",
        "workflows.problem_report:problem_schema",
    ),
    _schema("policy", "a receiver's policy, for editors", "policy.reader:policy_schema"),
)
"""Everything that can be exported; a further one is one more entry here."""
