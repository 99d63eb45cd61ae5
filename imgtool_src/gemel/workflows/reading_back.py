"""Images read back from devices: the files of a dump put together, what is set aside, and what it is compared with."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from gemel.errors import GemelError, Problem, UsageProblem
from gemel.files.paths import FilePath
from gemel.image.formats import format_of
from gemel.image.image import Image
from gemel.image.sparse import SparseBytes
from gemel.layout.model import Memory
from gemel.layout.reader import ReadLayout
from gemel.readback.versions import DeviceBlock, KnownVersion, SetAside, blocks_of, image_in
from gemel.record.record import sound_records
from gemel.spans import Span, format_address
from gemel.structs import NamedTuple, replace
from gemel.workflows.inputs.images import read_image

if TYPE_CHECKING:
    from gemel.audit.result import ImageResult
    from gemel.checking.runner import RuleResult
    from gemel.workflows.checking import CheckResult


ABOUT_BYTES = frozenset(
    (
        "checksums-match",
        "image-equals-builds",
        "image-inside-areas",
        "image-inside-memories",
        "record-digests-match",
        "record-sound",
        "rest-digest-matches",
        "seal-over-this-record",
        "seal-well-formed",
        "stamps-match",
        "unassigned-flash-unwritten",
    )
)
"""Rules that say of an image's file to make or get it again: of a device, something else is to be done."""

ASIDE = "bytes of the dump are set aside: they are not the image's"
DEVICE_STEP = "read the device again; where it reads the same, program it with an image that was checked"
SETTINGS_STEP = "; for what the device itself writes, add an area of purpose settings"


class Dump(NamedTuple):
    """The image in a dump, what was set aside of it, and the memories of the image that it has nothing of."""

    image: Image
    aside: tuple[SetAside, ...]
    missing: tuple[Memory, ...]

    @property
    def remarks(self) -> list[Problem]:
        """What was set aside and what is missing, for people."""
        what = "the dump has nothing of a memory that the image is in, which counts as erased"
        return [
            *(Problem(ASIDE, where=str(each.span), found=each.reason) for each in self.aside),
            *(
                Problem(
                    what, where=f"memory {each.name}", next_step=f"give its file too, --at 0x{each.start:X}"
                )
                for each in self.missing
            ),
        ]


def read_dump(
    paths: Sequence[FilePath], layout: ReadLayout | None, starts: Sequence[int] = (), form: str | None = None
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
            "raw binaries and addresses do not pair",
            found=f"{len(raw)} raw binaries, {len(starts)} --at",
            expected="one --at ADDRESS for each raw binary, in the same order",
            next_step="give each raw binary its address, or dumps in HEX or S-records",
        )
    at = dict(zip(raw, starts, strict=False))
    images = [read_image(path, layout=layout, at=at.get(path), form=form) for path in paths]
    whole = SparseBytes()
    for path, image in zip(paths, images, strict=True):
        for address, piece in image.data.pieces():
            if conflicts := whole.add(address, bytes(piece)):
                raise UsageProblem(_conflict(path, conflicts[0].address))
    data, aside = image_in(layout.layout, whole)
    used = {area.memory for area in layout.layout.areas.values() if area.purpose in ("code", "record")}
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
        tuple(
            memory
            for memory in layout.layout.memories.values()
            if memory.holds_image and memory.name in used and not whole.held_in(memory.span)
        ),
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
    from gemel.workflows.checking import check

    result = check(layout, dump.image, builds, further=[dump_rule(dump.aside, known)], **options)
    return replace(result, results=tuple(_for_a_device(each) for each in result.results))


def _for_a_device(result: RuleResult) -> RuleResult:
    """A result about the image's bytes with what is to be done about a device, not about a file."""
    by_record = result.rule.name == "build-ids-equal"  # with a build given, that may be the wrong one
    if result.rule.name not in ABOUT_BYTES and not by_record:
        return result
    step = f"{DEVICE_STEP}{SETTINGS_STEP if result.rule.name == 'image-inside-areas' else ''}"
    findings = [
        each
        if by_record and each.finding.next_step
        else replace(each, finding=replace(each.finding, next_step=step))
        for each in result.findings
    ]
    return replace(result, findings=tuple(findings))


def known_version(image: Image, layout: ReadLayout) -> KnownVersion | None:
    """An image to compare dumps with; None without a sound record that says its version."""
    found = next((record for _, record in sound_records(image.data)), None)
    if found is None:
        return None
    stored = [each.stored for each in found.builds]
    return KnownVersion(found.version, blocks_of(layout.layout, image.data, stored))


def indexed_versions(index: FilePath, layout: ReadLayout) -> tuple[list[KnownVersion], list[Problem]]:
    """The versions of the layout's product that an index knows, and what is wrong with images that cannot be read.

    Of what was released the index knows the blocks; images that were audited alone are read.
    """
    from contextlib import closing

    from gemel.audit.index import Index
    from gemel.audit.terms import Term

    known: list[KnownVersion] = []
    remarks: list[Problem] = []
    with closing(Index(index, write=False)) as opened:
        results = {
            each.content_sha256: each for each in opened.find([Term("product", layout.layout.product)])
        }
        for content, result in results.items():
            blocks = {
                Span(each.start, each.size): DeviceBlock(
                    Span(each.start, each.size), each.sha256, each.holds_build
                )
                for each in opened.blocks_of(content or "")
            }
            if blocks:
                known.append(KnownVersion(result.version or "of no version", blocks))
                continue
            found, problems = _known_by_file(result, layout)
            known += [found] if found else []
            remarks += problems
    return known, remarks


def _known_by_file(result: ImageResult, layout: ReadLayout) -> tuple[KnownVersion | None, list[Problem]]:
    """The version of an image that was audited, read from its file, or why it is not compared."""
    try:
        image = read_image(result.path, layout=layout)
    except GemelError as error:
        what = "an image of the index is not compared"
        return None, [replace(each, what=f"{what}: {each.what}") for each in error.problems]
    if image.read_from and image.read_from.sha256.hex() == result.sha256:
        return known_version(image, layout), []
    what, step = "an image of the index is not compared: it has changed", "run gemel audit again"
    return None, [Problem(what, where=result.path, next_step=step)]


def _no_layout() -> Problem:
    step = "name the layout first; it says what the device writes itself"
    return Problem("a dump is read by a layout", found="none", next_step=step)


def _conflict(path: FilePath, address: int) -> Problem:
    return Problem(
        "two files of the dump disagree",
        where=f"{path}, {format_address(address)}",
        found="another byte than in a file before it",
        expected="files of different memories, or the same bytes",
        next_step="give each raw binary its --at ADDRESS",
    )
