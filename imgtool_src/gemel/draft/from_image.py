"""A joined image as evidence: its record names the builds, their cores and places, and the product."""

from __future__ import annotations

from itertools import islice

from gemel.builds.build import Build
from gemel.builds.segment import Segment
from gemel.draft.pieces import PurposeSpan
from gemel.errors import Problem, UsageProblem
from gemel.image.sparse import SparseBytes
from gemel.record.format import MAX_BUILDS
from gemel.record.record import BuildEntry, Record, RecordError, decode, find, record_size
from gemel.seals.reading import find_seals
from gemel.spans import ADDRESS_SPACE, Span, format_address
from gemel.structs import NamedTuple

MAX_RECORDS = 64
"""Places with the mark of a record that are looked at."""


class Recorded(NamedTuple):
    """An image's record, what it says and the image's file; ``pieces`` are where record and seal are."""

    pieces: tuple[PurposeSpan, ...]
    record: Record
    file: str

    def entry(self, build: str) -> BuildEntry | None:
        """What it says of a build."""
        return next((entry for entry in self.record.builds if entry.name == build), None)


def record_of(image: SparseBytes, file: str) -> Recorded:
    """The first sound record in an image; raises UsageProblem if there is none."""
    found = find(image.pieces())
    problems: tuple[Problem, ...] = ()
    for start in found[:MAX_RECORDS]:
        span = Span(start, min(record_size(MAX_BUILDS), ADDRESS_SPACE - start))
        try:
            record = decode(image.read(span, 0xFF), f"{file}, {format_address(start)}")
        except RecordError as error:
            problems = problems or error.problems
            continue
        pieces = [PurposeSpan(Span(start, record_size(len(record.builds))), "record", "")]
        seals = (each.span for each in find_seals(image) if each.seal)
        pieces += [PurposeSpan(span, "seal", "") for span in islice(seals, 1)]
        return Recorded(tuple(pieces), record, file)
    hint = "give the builds, as NAME=FILE; the image itself too, if one build is all of it"
    lacking = Problem(
        "the image has no sound record", where=file, expected="a record of its builds", next_step=hint
    )
    raise UsageProblem([*problems, lacking])


def builds_of(image: SparseBytes, recorded: Recorded) -> dict[str, Build]:
    """The builds that a record lists, with the bytes that the image holds of each; raises UsageProblem.

    They are as poor as HEX files: no symbols, no RAM, but their run addresses are known.
    """
    builds = {
        entry.name: _build(image, entry, recorded.file)
        for entry in recorded.record.builds
        if any(True for _ in image.pieces(entry.stored))
    }
    if lacking := [entry for entry in recorded.record.builds if entry.name not in builds]:
        raise UsageProblem(
            Problem(
                f"the image holds nothing of build {entry.name}",
                where=recorded.file,
                found=f"no byte in {entry.stored}",
                expected="the bytes that its record lists",
            )
            for entry in lacking
        )
    return builds


def _build(image: SparseBytes, entry: BuildEntry, file: str) -> Build:
    segments = tuple(
        Segment(
            load_address=start,
            run_address=(start + entry.run_start - entry.stored_start) % ADDRESS_SPACE,
            data=bytes(view),
            memory_size=len(view),
            readable=True,
            writable=False,
            executable=True,
            index=index,
        )
        for index, (start, view) in enumerate(image.pieces(entry.stored))
    )
    lacks = ("RAM use", "access permissions", "symbols", "build attributes", "sections", "entry point")
    missing = tuple(f"{aspect}: an image does not hold it" for aspect in lacks)
    return Build(entry.name, file, "hex", segments, build_id=entry.build_id or None, missing=missing)
