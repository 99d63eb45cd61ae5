"""Images of the small device in folders, and audits of them, for tests."""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Mapping
from pathlib import Path

from small_device import STATION, joined, layout, layout_text

import gemel
from gemel.audit.as_text import Totals
from gemel.audit.index import Index
from gemel.audit.result import AuditedBuild, AuditedFinding, AuditedSigner, ImageResult
from gemel.image.image import Image
from gemel.spans import Span
from gemel.workflows.auditing.forms import form_named
from gemel.workflows.auditing.many_images import audit
from gemel.workflows.auditing.plan import Options, Plan, plan_for_folder, plan_for_layout

OPTIONS = Options(date=datetime.date(2026, 11, 24))
IN_CODE = STATION + 0x90


def write_image(path: Path, replace: Mapping[str, str] | None = None, *, broken: bool = False) -> Path:
    """The joined small device, its layout edited by ``replace``; ``broken``: with one byte of code changed."""
    read = layout(replace)
    image = joined(read).image
    if broken:
        image.write(IN_CODE, bytes([image.read(Span(IN_CODE, 1), None)[0] ^ 1]))
    path.parent.mkdir(parents=True, exist_ok=True)
    gemel.write_images(Image(image), path, layout=read)
    return path


def write_layout(path: Path, replace: Mapping[str, str] | None = None, add: str = "") -> Path:
    """The small device's layout as a file."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(layout_text(replace, add), encoding="utf-8")
    return path


def plan_of_layout(folder: Path, **options: object) -> Plan:
    """The plan of an audit by the small device's layout, written to ``folder``."""
    file = write_layout(folder / "small.toml")
    return plan_for_layout(file, gemel.structs.replace(OPTIONS, **options))


def plan_of_folder(folder: Path) -> Plan:
    """The plan of an audit by the layouts in a folder."""
    return plan_for_folder(folder, OPTIONS)


def audited(
    paths: Iterable[Path | str], plan: Plan, index: Path | None = None, **options: bool
) -> list[ImageResult]:
    """The results of an audit with one process."""
    opened = Index(index)
    try:
        return list(audit(map(str, paths), plan, opened, jobs=1, **options))
    finally:
        opened.close()


def result(name: str) -> ImageResult:
    """A result with ``name`` wherever a name from a file can be."""
    return ImageResult(
        path=name,
        status="broken",
        problem=name,
        product=name,
        version="1.2.3",
        layout=name,
        builds=(AuditedBuild(name, None),),
        signers=(AuditedSigner(name, "ab" * 32, False),),
        findings=(AuditedFinding("checksums-match", "error", name, name),),
        duplicate_of=name,
    )


def page(results: list[ImageResult]) -> str:
    """The page of an audit."""
    totals, writer = Totals(), form_named("html").writer()
    assert writer.start() == ""
    for each in results:
        totals.add(each)
        assert writer.line(each) == ""
    return writer.end(totals)
