"""A layout checked by itself: what it is, and that it is in order; one that is not is a `LayoutError`."""

from __future__ import annotations

from typing import Annotated

from gemel.checking.identity import JudgedFile, Tool
from gemel.checking.reports.documents import Case, file_uri, html_document, junit_document, sarif_document
from gemel.layout.reader import ReadLayout
from gemel.structs import Struct
from gemel.text.as_json import data_of, json_text
from gemel.text.numbers import counted
from gemel.text.wrapping import labelled_lines, wrapped
from gemel.version import __version__

FORMAT = 1
"""Version of the form; a change that an old reader would misread gets the next number."""


class LayoutReport(Struct):
    """A layout that is in order."""

    format: Annotated[int, f"version of this form: {FORMAT}"]
    tool: Annotated[Tool, "what made the report"]
    layout: Annotated[JudgedFile, "the layout file"]
    layout_digest: Annotated[bytes, "digest of what the layout says, as records keep it"]
    product: Annotated[str, "the product's name in the layout"]
    passes: Annotated[bool, "true: nothing is wrong with it"]


VERDICT = "PASS: the layout is in order; no image was checked."


def layout_report(read: ReadLayout, form: str = "json", width: int = 80) -> str:
    """The layout's check in a form of reports: text (``width`` columns wide), json, sarif, junit, lines, html."""
    if form == "text":
        return "".join(f"{line}\n" for line in layout_lines(read, width))
    file = JudgedFile(read.name, read.file_sha256.hex())
    data = data_of(
        LayoutReport(FORMAT, Tool("gemel", __version__), file, read.digest, read.layout.product, True)
    )
    heading, *rows = _rows(read)
    if form == "sarif":
        hashes = {"sha-256": file.sha256}
        artifact = {"location": {"uri": file_uri(file.name)}, "roles": ["analysisTarget"], "hashes": hashes}
        run = {"invocations": [{"executionSuccessful": True}], "artifacts": [artifact], "properties": data}
        return sarif_document(run)
    if form == "lines":
        return f"gemel: {VERDICT}\n"
    if form == "junit":
        return junit_document("check", heading[1], [Case("layout-in-order")], rows)
    if form == "html":
        return html_document(VERDICT, [(heading[1], rows)])
    return json_text(data)


def layout_lines(read: ReadLayout, width: int) -> list[str]:
    """What the layout is, and the verdict last."""
    (_, heading), *rows = _rows(read)
    return [*wrapped(heading, width), *labelled_lines(rows, width), "", VERDICT]


def _rows(read: ReadLayout) -> list[tuple[str, str]]:
    """What the layout is: a heading without a label, then a label and a value each."""
    layout = read.layout
    holds = [
        counted(len(layout.memories), "memory", "memories"),
        counted(len(layout.cores), "core"),
        counted(len(layout.areas), "area"),
        counted(len(layout.builds), "build"),
        counted(len(layout.checksums), "checksum"),
        counted(len(layout.stamps), "stamp"),
    ]
    return [
        ("", f"{read.name}: layout of {layout.product}, version {layout.version or 'not stated'}"),
        ("SHA-256", read.file_sha256.hex()),
        ("digest", f"{read.digest.hex()} (as records keep it)"),
        ("holds", ", ".join(holds)),
        ("tool", f"gemel {__version__}"),
    ]
