"""Images read back from devices: the files of a dump put together, what is set aside, and what it is compared with."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from gemel.errors import GemelError, Problem, UsageProblem
from gemel.image.formats import format_of
from gemel.image.image import Image
from gemel.image.sparse import SparseBytes
from gemel.readback.dump import SetAside, image_in
from gemel.readback.versions import KnownVersion, records_in
from gemel.spans import format_address
from gemel.structs import NamedTuple, replace
from gemel.workflows.inputs import read_image

if TYPE_CHECKING:
    from gemel.layout.reader import ReadLayout
    from gemel.workflows.checking import CheckResult


class Dump(NamedTuple):
    """The image in a dump, and what was set aside of it."""

    image: Image
    aside: tuple[SetAside, ...]

    @property
    def remarks(self) -> list[Problem]:
        """What was set aside, for people."""
        return [Problem("set aside", where=str(each.span), found=each.reason) for each in self.aside]


def read_dump(
    paths: Sequence[Path], layout: ReadLayout | None, starts: Sequence[int] = (), form: str | None = None
) -> Dump:
    """Read the files of one device, one for each memory or part; ``starts`` are those of raw binaries, in order.

    A single raw binary without a start goes to the start of the layout's first flash.  Raises UsageProblem for
    another number of starts, for files that say different things of one address, and without a layout;
    ImageFormatError.
    """
    if layout is None:
        raise UsageProblem(_no_layout())
    raw = [path for path in paths if not format_of(path.name, form).has_addresses]
    if len(starts) != len(raw) and (starts or len(raw) > 1):
        raise UsageProblem(
            Problem(
                "raw binaries and addresses do not pair",
                found=f"{len(raw)} raw binaries, {len(starts)} --at",
                expected="one --at ADDRESS for each raw binary, in the same order",
            )
        )
    at = dict(zip(raw, starts, strict=False))
    images = [read_image(path, layout=layout, at=at.get(path), form=form) for path in paths]
    whole = SparseBytes()
    for path, image in zip(paths, images, strict=True):
        for address, piece in image.data.pieces():
            if conflicts := whole.add(address, bytes(piece)):
                raise UsageProblem(_conflict(path, conflicts[0].address))
    data, aside = image_in(layout.layout, whole)
    first = images[0]
    return Dump(
        Image(
            data,
            entry=None,
            remarks=tuple(remark for image in images for remark in image.remarks),
            file=", ".join(image.file for image in images),
            leaves_bytes_out=False,
            read_from=first.read_from if len(images) == 1 else None,
        ),
        aside,
    )


def without_settings(image: Image, layout: ReadLayout | None) -> Image:
    """An image or a dump without what a device writes itself; raises UsageProblem without a layout."""
    if layout is None:
        raise UsageProblem(_no_layout())
    return replace(image, data=image_in(layout.layout, image.data)[0])


def check_dump(
    layout: ReadLayout, dump: Dump, builds: Any = None, *, known: Sequence[KnownVersion] = (), **options: Any
) -> CheckResult:
    """``check`` of the image in a dump, and what else must hold of a device; ``options`` are those of ``check``."""
    from gemel.readback.rule import dump_rule
    from gemel.workflows.checking import applied_too, check

    result = check(layout, dump.image, builds, **options)
    return applied_too(result, [dump_rule(dump.aside, known)], options.get("today"))


def known_version(image: Image) -> KnownVersion | None:
    """An image to compare dumps with; None without a sound record that says its version."""
    found = next(records_in(image.data), None)
    return KnownVersion(found[1], image.data) if found else None


def indexed_versions(index: Path, layout: ReadLayout) -> tuple[list[KnownVersion], list[Problem]]:
    """The images of the layout's product that an index knows, and what is wrong with those that cannot be read."""
    from contextlib import closing

    from gemel.audit.index import Index
    from gemel.audit.terms import Term

    known: list[KnownVersion] = []
    remarks: list[Problem] = []
    contents: set[str | None] = set()
    with closing(Index(index, write=False)) as opened:
        results = list(opened.find([Term("product", layout.layout.product)]))
    for result in results:
        if result.content_sha256 in contents:
            continue
        contents.add(result.content_sha256)
        try:
            image = read_image(result.path, layout=layout)
            found = known_version(image)
        except GemelError as error:
            remarks += [
                replace(each, what=f"an image of the index is not compared: {each.what}")
                for each in error.problems
            ]
            continue
        if found and image.read_from and image.read_from.sha256.hex() == result.sha256:
            known.append(found)
        else:
            what, step = "an image of the index is not compared: it has changed", "run gemel audit again"
            remarks.append(Problem(what, where=result.path, next_step=step))
    return known, remarks


def _no_layout() -> Problem:
    step = "name the layout first; it says what the device writes itself"
    return Problem("a dump is read by a layout", found="none", next_step=step)


def _conflict(path: Path, address: int) -> Problem:
    return Problem(
        "two files of the dump disagree",
        where=f"{path}, {format_address(address)}",
        found="another byte than in a file before it",
        expected="files of different memories, or the same bytes",
        next_step="give each raw binary its --at ADDRESS",
    )
