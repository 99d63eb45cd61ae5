"""What is known of a build besides its bytes, in a file next to it: ``station.part.toml`` for ``station.hex``.

``gemel split`` writes it, and it is read wherever the build of that name is given as HEX, S-record or binary.
It holds the build id and where the symbols are that stamps, checksums and constants of a layout need::

    format = 1
    sha256 = "..."                  # of the build's bytes, from the first to the last
    build_id = "479cadf8..."        # left out where there is none
    entry = 0x1000_027D             # the same
    [symbols]
    image_length = [{ address = 0x1000_0A40, size = 4 }]

Of a symbol with several entries nobody knows which it is: then a value is taken only where it is the same.
"""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

from gemel.errors import BuildError, Problem
from gemel.layout.kinds import in_toml_words
from gemel.spans import ADDRESS_SPACE, Span, format_address
from gemel.structs import replace
from gemel.text.escaping import toml_string
from gemel.text.wrapping import first_of

if TYPE_CHECKING:
    from gemel.builds.build import Build

SUFFIX = ".part.toml"
FORMAT = 1
MAX_BYTES = 1 << 20
"""Bytes of such a file, at most."""

MAX_SYMBOLS, MAX_PLACES = 4096, 64
"""Symbols in one file, and places of one symbol, at most."""

_KEYS = ("format", "sha256", "build_id", "entry", "symbols")
_HEXADECIMAL = frozenset("0123456789abcdef")


def part_text(
    data: bytes, build_id: bytes | None, entry: int | None, symbols: Mapping[str, tuple[Span, ...]]
) -> str:
    """The text of the file that belongs to a build of these bytes; spans are in plain addresses."""
    lines = [
        "# What gemel split knows of this build next to its bytes; read wherever the build is given as HEX or BIN.",
        f"format = {FORMAT}",
        f'sha256 = "{hashlib.sha256(data).hexdigest()}"',
    ]
    if build_id:
        lines.append(f'build_id = "{build_id.hex()}"')
    if entry is not None:
        lines.append(f"entry = {format_address(entry)}")
    lines += ["", "[symbols]"]
    for name, spans in sorted(symbols.items()):
        places = ", ".join(
            f"{{ address = {format_address(span.start)}, size = {span.size} }}" for span in spans
        )
        lines.append(f"{toml_string(name)} = [{places}]")
    return "\n".join(lines) + "\n"


def with_part_notes(build: Build, text: bytes, file: str) -> Build:
    """``build`` with what the ``file`` next to it says.

    Raises BuildError with all that is wrong with it, and where it belongs to other bytes.
    """
    if len(text) > MAX_BYTES:
        raise BuildError(_problem(file, "the file is too large", "", f"at most {MAX_BYTES:,} bytes"))
    try:
        found = tomllib.loads(text.decode("utf-8"))
    except (ValueError, RecursionError) as error:  # no UTF-8, no TOML, a number of thousands of digits
        raise BuildError(_problem(file, "it is not TOML", "", "what gemel split wrote")) from error
    problems = list(_unknown_keys(found, file))
    if found.get("format") != FORMAT:
        shown = in_toml_words(found["format"]) if _has_format(found) else "none, or what is no number"
        problems.append(_problem(file, "unknown format", shown, f"format = {FORMAT}"))
    digest, build_id = found.get("sha256"), found.get("build_id", "")
    for key, value, sizes in (("sha256", digest, range(64, 65)), ("build_id", build_id, range(0, 65, 2))):
        if not isinstance(value, str) or len(value) not in sizes or not _HEXADECIMAL.issuperset(value):
            problems.append(
                _problem(file, f"no sound {key}", in_toml_words(value), "lower-case hexadecimal digits")
            )
    entry = found.get("entry")
    if entry is not None and (type(entry) is not int or not 0 <= entry < ADDRESS_SPACE):
        problems.append(_problem(file, "no sound entry", in_toml_words(entry), "a 32-bit address"))
    places = _places_in(found, build, file, problems)
    if problems:
        raise BuildError(problems)
    actual = hashlib.sha256(_bytes_of(build)).hexdigest()
    if digest != actual:
        raise BuildError(
            "the file next to the build belongs to other bytes",
            where=f"{file}, sha256",
            found=str(digest),
            expected=f"{actual}, of {build.file}",
            next_step="split the image again, or remove the file that does not belong to the build",
        )
    given = [aspect for aspect, has in (("build id:", build_id), ("entry point:", entry is not None)) if has]
    return replace(
        build,
        build_id=bytes.fromhex(build_id) or None,
        entry=entry if build.entry is None else build.entry,
        places=places,
        missing=tuple(text for text in build.missing if not text.startswith(tuple(given))),
    )


def _places_in(
    found: dict[str, Any], build: Build, file: str, problems: list[Problem]
) -> dict[str, tuple[Span, ...]]:
    """The places of each symbol; what is wrong with one is added to ``problems``."""
    places: dict[str, tuple[Span, ...]] = {}
    symbols = found.get("symbols", {})
    if not isinstance(symbols, dict) or len(symbols) > MAX_SYMBOLS:
        problems.append(_problem(file, "no sound symbols", "", f"a table of at most {MAX_SYMBOLS:,}"))
        return places
    for name, value in symbols.items():
        spans = _spans(value)
        if not spans:
            expected = "a list of { address = ADDRESS, size = BYTES }"
            problems.append(_problem(file, f"no sound place of {name[:80]}", in_toml_words(value), expected))
        if outside := [
            span for span in spans if not any(each.load_span.covers(span) for each in build.stored)
        ]:
            expected = ", ".join(str(each.load_span) for each in build.stored[:4])
            problems.append(
                _problem(file, f"a place of {name[:80]} is outside the build", str(outside[0]), expected)
            )
        places[name] = spans
    return places


def _has_format(found: dict[str, Any]) -> bool:
    return type(found.get("format")) is int


def _unknown_keys(found: dict[str, Any], file: str) -> Iterator[Problem]:
    """One problem for all; a file without a format may be another one, with secrets in it, and is not quoted."""
    if unknown := [key for key in found if key not in _KEYS]:
        words = first_of([each[:80] for each in unknown])
        shown = words if _has_format(found) else f"{len(unknown):,} keys, and no format"
        yield _problem(file, "unknown keys" if unknown[1:] else "unknown key", shown, ", ".join(_KEYS))


def _bytes_of(build: Build) -> bytes:
    """The bytes of a build from its first to its last; gaps as 0xFF."""
    data = bytearray()
    for segment in build.stored:
        if data:
            data += b"\xff" * (segment.load_address - build.stored[0].load_address - len(data))
        data += segment.data
    return bytes(data)


def _spans(value: Any) -> tuple[Span, ...]:
    """The places of a symbol; none where the value is not sound."""
    if not isinstance(value, list) or not 0 < len(value) <= MAX_PLACES:
        return ()
    spans = []
    for each in value:
        if not isinstance(each, dict) or sorted(each) != ["address", "size"]:
            return ()
        address, size = each["address"], each["size"]
        if type(address) is not int or type(size) is not int:
            return ()
        if not (0 <= address < ADDRESS_SPACE and 0 <= size <= ADDRESS_SPACE - address):
            return ()
        spans.append(Span(address, size))
    return tuple(spans)


def _problem(file: str, what: str, found: str, expected: str) -> Problem:
    hint = "split the image again, or remove the file"
    return Problem(what, where=file, found=found, expected=expected, next_step=hint)
