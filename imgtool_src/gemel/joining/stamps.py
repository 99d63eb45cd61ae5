"""The bytes of a stamp: a number, a text, or something that is known only at join."""

from __future__ import annotations

from collections.abc import Mapping

from gemel.errors import Problem
from gemel.image.sparse import SparseBytes
from gemel.layout.model import Layout, Stamp, StampValue
from gemel.placement.placed import PlacedBuild, Version, has_vectors, sha256_of
from gemel.spans import Span
from gemel.structs import Struct, replace


class StampSources(Struct):
    """What stamps take their values from."""

    layout: Layout
    image: SparseBytes
    placed: Mapping[str, PlacedBuild]
    version: Version | None
    rollback: int


def stamp_bytes(stamp: Stamp, sources: StampSources) -> bytes | Problem:
    """The ``stamp.width`` bytes to write, or why they cannot be had.

    Numbers take the whole width in the stamp's byte order; text, build ids and digests come first
    byte first and are padded with zeros.
    """
    value = _value(stamp.value, sources)
    where = f"stamp {stamp.name}"
    if isinstance(value, Problem):
        return replace(value, where=where)
    if isinstance(value, int):
        value = -(-value // stamp.unit)
        if value >= 1 << 8 * stamp.width:
            bits = 8 * stamp.width
            return Problem(
                "the value does not fit",
                where=where,
                found=f"{value:#x}",
                expected=f"at most {bits} bits",
                next_step="widen it",
            )
        return value.to_bytes(stamp.width, stamp.byte_order)
    if len(value) > stamp.width:
        found, expected = f"{len(value)} bytes", f"at most its width of {stamp.width} bytes"
        return Problem(
            "the value does not fit", where=where, found=found, expected=expected, next_step="widen the stamp"
        )
    return value.ljust(stamp.width, b"\0")


def spans_read(stamp: Stamp, layout: Layout, placed: Mapping[str, PlacedBuild]) -> list[Span]:
    """The image's bytes that the stamp's value depends on."""
    if isinstance(stamp.value, StampValue) and stamp.value.sha256_of:
        return [_named_span(stamp.value.sha256_of, layout, placed)]
    return []


def _named_span(name: str, layout: Layout, placed: Mapping[str, PlacedBuild]) -> Span:
    """The span of a build as stored or, where no build has the name, of the area."""
    return placed[name].stored if name in placed else layout.span_of(name)


def _value(value: int | str | StampValue, sources: StampSources) -> int | bytes | Problem:
    if isinstance(value, int):
        return value
    if isinstance(value, str):
        return value.encode()
    placed = sources.placed
    if value.version:
        return _version(value.version, sources.version)
    if value.rollback:
        return sources.rollback
    if value.run_start_of:
        return placed[value.run_start_of].run_start
    if value.vectors_of:
        if not has_vectors(sources.layout, value.vectors_of):
            found = f"stored in area {sources.layout.builds[value.vectors_of].stored_in}, purpose data"
            what = f"build {value.vectors_of} has no vector table"
            return Problem(what, found=found, expected="a build in an area of purpose code")
        return placed[value.vectors_of].vector_address
    if value.build_id_of:
        build_id = placed[value.build_id_of].build_id
        if build_id is None:
            return Problem(
                f"build {value.build_id_of} has no build id",
                found="none",
                expected="a build id note",
                next_step="link it with --build-id, its note in a section that is stored",
            )
        return build_id
    return _of_span(value, sources)


def _of_span(value: StampValue, sources: StampSources) -> int | bytes:
    name = value.size_of or value.start_of or value.end_of or value.sha256_of or ""
    span = _named_span(name, sources.layout, sources.placed)
    if value.size_of:
        return span.size
    if value.start_of:
        return span.start
    if value.end_of:
        return span.end
    return sha256_of(sources.layout, sources.image, [span])


def _version(form: str, version: Version | None) -> int | bytes | Problem:
    if version is None:
        hint = "give --version X.Y.Z, or version in the layout"
        return Problem("no version was given", found="none", expected="a version", next_step=hint)
    if form == "text":
        return str(version).encode()
    if version.major > 0xFF or version.minor > 0xFF or version.patch > 0xFFFF:
        return Problem("version too large to pack", found=str(version), expected="at most 255.255.65535")
    return version.major << 24 | version.minor << 16 | version.patch
