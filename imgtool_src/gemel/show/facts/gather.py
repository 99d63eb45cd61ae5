"""From an image, with a layout or alone, to ``Contents``; the parts come from the modules next to this one."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Literal

from gemel.checking.identity import NO_KEY, JudgedSigner, identity_of, identity_without_layout
from gemel.image.image import ImageFile
from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.m_profile.memory_map import SRAM
from gemel.m_profile.vector_tables import possible_tables
from gemel.seals.keys.keys import PublicKey
from gemel.show.facts.build_uses import build_uses
from gemel.show.facts.contents import Contents, FilePiece, ImageFacts, LayoutFacts, RecordFacts, VectorHint
from gemel.show.facts.memory_uses import memory_uses
from gemel.show.facts.records import records
from gemel.show.facts.seals import seals
from gemel.show.facts.used_bytes import BLANK_RUN, blank_runs
from gemel.show.facts.values import written_values
from gemel.show.facts.vector_tables import vector_facts
from gemel.spans import Address, Span, merge, without

_WORDS = {
    "holds": "the signature holds",
    "does not hold": "the signature does not hold",
    "key unknown": "none of the given keys is its own",
    "not verified": NO_KEY,
}


def contents_of(
    inspection: Inspection, file: str, entry: int | None = None, layout_file: str = ""
) -> Contents:
    """What is in ``inspection.image``, read from ``file``, by its layout and with the given builds.

    ``entry`` is the start address that the file names, ``layout_file`` the layout's name for people
    (else the one it was read by).  Raises BuildError if a build's file became
    shorter since it was opened.
    """
    memories = [memory.span for memory in inspection.layout.memories.values()]
    sound, broken = records(inspection.image, inspection)
    tables = (vector_facts(inspection, name) for name in inspection.layout.builds)
    return Contents(
        identity=identity_of(inspection, file, ()),
        image=image_facts(inspection.image, file, entry),
        layout=LayoutFacts(
            layout_file or inspection.read.file, inspection.layout.product, inspection.read.digest
        ),
        memories=memory_uses(inspection),
        outside=tuple(without(inspection.image.spans(), memories)),
        builds=build_uses(inspection),
        records=sound,
        broken_records=broken,
        seals=seals(inspection.image, inspection, sound, (*inspection.trusted, *inspection.known)),
        vector_tables=tuple(table for table in tables if table),
        values=written_values(inspection),
    )


def contents_of_file(
    image: SparseBytes,
    file: str,
    entry: int | None = None,
    trusted: Sequence[PublicKey] = (),
    read_from: ImageFile | None = None,
) -> Contents:
    """What an image file alone shows, without a layout; ``trusted`` are the keys that seals are tried with."""
    sound, broken = records(image, None)
    found = seals(image, None, sound, trusted)
    return Contents(
        identity=identity_without_layout(
            image,
            file,
            read_from,
            sound[0] if len(sound) == 1 else None,
            "not sealed" if not found else "malformed" if any(seal.problem for seal in found) else "sealed",
            tuple(
                JudgedSigner(
                    algorithm=signer.algorithm,
                    key=signer.key_id.hex(),
                    verified=signer.verdict == "holds",
                    counted=signer.verdict == "holds",
                    verdict=_WORDS[signer.verdict],
                )
                for seal in found
                for signer in seal.signers
            ),
            differs=len(sound) == 1 and sound[0].differs,
        ),
        image=image_facts(image, file, entry),
        records=sound,
        broken_records=broken,
        seals=found,
        pieces=pieces_of(image, sound),
        vector_hints=vector_hints(image),
    )


def image_facts(image: SparseBytes, file: str, entry: int | None) -> ImageFacts:
    """The runs of an image file and the gaps between them."""
    runs = merge(image.spans())
    bounds = image.bounds()
    gaps = without([bounds], runs) if bounds else []
    return ImageFacts(file, image.size, None if entry is None else Address(entry), tuple(runs), tuple(gaps))


MAX_CODE_IN_RAM = 1 << 20
"""Handlers that are so many bytes apart, or more, are no code that was copied to RAM."""

MAX_HINTS = 16
"""More places than this are no help."""


def pieces_of(image: SparseBytes, records: Iterable[RecordFacts]) -> tuple[FilePiece, ...]:
    """The file cut, by address: builds and records that a record shows, blank stretches, other bytes."""
    sound = list(records)
    pieces = [FilePiece("record", "record", record.span) for record in sound]
    taken = [piece.span for piece in pieces]
    for build in (build for record in sound for build in record.builds):
        if image.holds(build.stored) and not any(build.stored.overlaps(span) for span in taken):
            pieces.append(FilePiece("build", build.name, build.stored))
            taken.append(build.stored)
    blanks = []
    for blank in blank_runs(image):
        for span in without([blank.span], taken):
            pieces.append(FilePiece("blank", f"all 0x{blank.byte:02X}", span))
            blanks.append(span)
    rest = without(image.spans(), [*taken, *blanks])
    pieces += [_rest_piece(image, span) for span in rest]
    return tuple(sorted(pieces, key=lambda piece: piece.span))


def _rest_piece(image: SparseBytes, span: Span) -> FilePiece:
    """Bytes that nothing is known of; a short blank stretch next to a known piece is reported as blank."""
    if span.size < BLANK_RUN:
        values = set(image.read(span, None))
        if len(values) == 1 and (byte := values.pop()) in (0x00, 0xFF):
            return FilePiece("blank", f"all 0x{byte:02X}", span)
    return FilePiece("bytes", "bytes", span)


def vector_hints(image: SparseBytes) -> tuple[VectorHint, ...]:
    """Up to ``MAX_HINTS`` places that look like a vector table, by address.

    Word 0 is a multiple of 8 in the SRAM region; words 1 to 3 (reset, NMI, HardFault) are odd and all
    point into the file, or all into RAM less than 1 MiB apart.
    """
    hints: list[VectorHint] = []
    runs = image.spans()
    for run in runs:
        for place, stack, handlers in possible_tables(image.read(run, None), run.start, handlers=3):
            if stack % 8 == 0 and SRAM.holds(stack) and (where := _where(handlers, runs)):
                hints.append(VectorHint(Address(place), Address(stack), Address(handlers[0]), where == "ram"))
                if len(hints) == MAX_HINTS:
                    return tuple(hints)
    return tuple(hints)


def _where(handlers: tuple[int, ...], runs: list[Span]) -> Literal["file", "ram", ""]:
    """Where all the handlers point: into the file, or into RAM within what may be code that was copied."""
    if all(any(run.holds(handler & ~1) for run in runs) for handler in handlers):
        return "file"
    near = max(handlers) - min(handlers) < MAX_CODE_IN_RAM
    return "ram" if near and all(SRAM.holds(handler) for handler in handlers) else ""
