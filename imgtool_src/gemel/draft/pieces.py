"""Stretches of the address space that somebody uses, and groups of them that are likely one memory."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from typing import Literal

from gemel.spans import Span
from gemel.structs import NamedTuple

DraftMemoryKind = Literal["flash", "ram", "device"]
Use = Literal["stored", "veneers", "own", "runs", "shared", "registers", "record", "seal"]
"""What a stretch is for: a build, its veneers, RAM of a core, a copied build, all cores, registers, record, seal."""

NEAR = 512 << 10
"""Stretches of one kind that are no further apart are taken for one memory."""

KINDS: dict[Use, DraftMemoryKind] = {
    "stored": "flash",
    "veneers": "flash",
    "record": "flash",
    "seal": "flash",
    "own": "ram",
    "runs": "ram",
    "shared": "ram",
    "registers": "device",
}


class PurposeSpan(NamedTuple):
    """A stretch, what it is for and whose it is (empty: of all)."""

    span: Span
    use: Use
    owner: str

    @property
    def kind(self) -> DraftMemoryKind:
        """The kind of memory it must be in."""
        return KINDS[self.use]


class Group(NamedTuple):
    """Neighbouring pieces of one kind, by address, and the first address that belongs to somebody else."""

    kind: DraftMemoryKind
    pieces: tuple[PurposeSpan, ...]
    limit: int

    @property
    def start(self) -> int:
        """The first address used."""
        return self.pieces[0].span.start

    @property
    def end(self) -> int:
        """The first address after all that is used."""
        return max(piece.span.end for piece in self.pieces)


def combined(pieces: Iterable[PurposeSpan]) -> list[PurposeSpan]:
    """The pieces by address, near ones of one use and owner joined where nothing of others is between.

    A copied build and what all share are never joined: each is a stretch of its own.
    """
    result: list[PurposeSpan] = []
    for piece in sorted(pieces):
        last = result[-1] if result else None
        joinable = piece.use in ("stored", "own", "registers")
        near = last is not None and piece.span.start - last.span.end <= NEAR
        if last and joinable and near and (last.use, last.owner) == (piece.use, piece.owner):
            end = max(last.span.end, piece.span.end)
            result[-1] = last._replace(span=Span.from_bounds(last.span.start, end))
        else:
            result.append(piece)
    return result


def groups_of(pieces: Iterable[PurposeSpan], rounding: int, cuts: Collection[int] = ()) -> list[Group]:
    """The groups by address; the limit of each is the start of the next, rounded down if there is room.

    No group reaches over one of ``cuts``.
    """
    gathered: list[list[PurposeSpan]] = []
    for piece in sorted(pieces):
        last = gathered[-1][-1] if gathered else None
        cut = last and any(last.span.start < each <= piece.span.start for each in cuts)
        if last and not cut and last.kind == piece.kind and piece.span.start - last.span.end <= NEAR:
            gathered[-1].append(piece)
        else:
            gathered.append([piece])
    groups = []
    for index, members in enumerate(gathered):
        limit = 1 << 32
        if index + 1 < len(gathered):
            start = gathered[index + 1][0].span.start
            rounded = start // rounding * rounding
            limit = rounded if rounded >= max(piece.span.end for piece in members) else start
        groups.append(Group(members[0].kind, tuple(members), limit))
    return groups


def power_of_two(size: int, least: int) -> int:
    """The smallest power of two that is at least ``size`` and ``least``."""
    return max(least, 1 << max(0, size - 1).bit_length())
