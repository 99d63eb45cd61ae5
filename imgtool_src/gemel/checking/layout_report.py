"""A layout checked by itself: what it is, and that it is in order; one that is not is a `LayoutError`."""

from __future__ import annotations

from typing import Annotated

from gemel.checking.identity import JudgedFile, Tool
from gemel.layout.reader import ReadLayout
from gemel.structs import Struct
from gemel.text.as_json import data_of, json_text
from gemel.text.numbers import counted
from gemel.text.wrapping import label_head, wrapped
from gemel.version import __version__


class LayoutReport(Struct):
    """A layout that is in order."""

    format: Annotated[int, "version of this form: 1"]
    tool: Annotated[Tool, "what made the report"]
    layout: Annotated[JudgedFile, "the layout file"]
    layout_digest: Annotated[bytes, "digest of what the layout says, as records keep it"]
    product: Annotated[str, "the product's name in the layout"]
    passes: Annotated[bool, "true: nothing is wrong with it"]


def layout_report(read: ReadLayout) -> str:
    """The layout's check as JSON text."""
    file = JudgedFile(read.name, read.file_sha256.hex())
    tool = Tool("gemel", __version__)
    return json_text(data_of(LayoutReport(1, tool, file, read.digest, read.layout.product, True)))


def layout_lines(read: ReadLayout, width: int) -> list[str]:
    """What the layout is, and the verdict last."""
    layout = read.layout
    holds = [
        counted(len(layout.memories), "memory", "memories"),
        counted(len(layout.cores), "core"),
        counted(len(layout.areas), "area"),
        counted(len(layout.builds), "build"),
        counted(len(layout.checksums), "checksum"),
        counted(len(layout.stamps), "stamp"),
    ]
    rows = [
        ("SHA-256", read.file_sha256.hex()),
        ("digest", f"{read.digest.hex()} (as records keep it)"),
        ("holds", ", ".join(holds)),
        ("tool", f"gemel {__version__}"),
    ]
    lines = wrapped(
        f"{read.name}: layout of {layout.product}, version {layout.version or 'not stated'}", width
    )
    for label, value in rows:
        lines += wrapped(value, width, label_head(label))
    return [*lines, "", "PASS: the layout is in order; no image was checked."]
