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


def _schema(of: str, meaning: str, made: Callable[[], dict[str, Any]]) -> Export:
    """The JSON Schema of what is called ``of``."""

    def text() -> str:
        from gemel.text.as_json import json_text

        return json_text(made())

    name = f"{of}-schema" if of != "layout" else "schema"
    return Export(name, f"the JSON Schema of {meaning}", f"gemel-{of}.schema.json", text)


def _report(of: str, model: str, title: str = "", meaning: str = "") -> Export:
    """The schema of a report: ``model`` is module and class, ``FORMAT`` in the module the number of its form."""

    def made() -> dict[str, Any]:
        from gemel.text.as_json import form_schema

        module, name = model.split(":")
        declared = import_module(f"gemel.{module}")
        return form_schema(getattr(declared, name), f"gemel {title or of}", declared.FORMAT)

    return _schema(of, meaning or f"`gemel {of} --format json`", made)


def _language(of: str, model: str, meaning: str, description: str) -> Export:
    """The schema of a file of TOML read into JSON values: ``model`` is the module and class with its keys.

    It says what every table may hold; what the parts say about each other is beyond a schema.
    """

    def made() -> dict[str, Any]:
        from gemel.layout.tables import Table
        from gemel.text.as_json import DIALECT

        module, name = model.split(":")
        keys = Table(getattr(import_module(f"gemel.{module}"), name)).schema()
        return {"$schema": DIALECT, "title": f"gemel {of}, format 1", "description": description, **keys}

    return _schema(of, f"{meaning}, for editors", made)


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
    _language(
        "layout",
        "layout.model:Layout",
        "the layout language",
        "Describes a two-core device and says where everything in its flash image goes.",
    ),
    _report("check", "checking.reports.as_json:CheckReport", "check report"),
    _report("show", "show.facts.contents:Contents"),
    _report("compare", "comparing.changes:Comparison"),
    _report("where", "lookup.facts:Answers"),
    _report("audit", "audit.result:AuditReport"),
    _report("rehearse", "rehearsal.reports.json:RehearsalReport", "rehearsal"),
    _report("explain", "checking.explained:Explanation", "explanation"),
    _report(
        "layout-check",
        "checking.layout_report:LayoutReport",
        "check of a layout",
        "`gemel check LAYOUT --format json`",
    ),
    _report(
        "problem",
        "workflows.problem_report:ProblemReport",
        "problems",
        "what --format json prints where there is no result",
    ),
    _language(
        "policy",
        "policy.model:Policy",
        "a receiver's policy",
        "What the receiver of an image demands of it, whatever its layout says.",
    ),
)
"""Everything that can be exported; a further one is one more entry here."""
