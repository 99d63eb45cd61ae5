"""Read one build, whatever kind of file it is.

The content decides; the suffix must not contradict it.  Only a raw binary, which looks like nothing in
particular, is known by its suffix alone.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from gemel.builds.build import KIND_NAMES, Build, BuildKind
from gemel.errors import BuildError, Problem
from gemel.files.contents import ELF_START, foreign, text_format
from gemel.files.paths import FilePath

if TYPE_CHECKING:
    from gemel.builds.source import ByteSource

SUFFIXES: dict[str, BuildKind] = {
    **dict.fromkeys((".elf", ".axf", ".out", ".o"), "elf"),
    **dict.fromkeys((".hex", ".ihex", ".ihx"), "hex"),
    **dict.fromkeys((".srec", ".s19", ".s28", ".s37", ".mot"), "srec"),
    ".bin": "bin",
}
"""What each known suffix promises."""

ANY_KIND = "ELF, Intel HEX or S-record, or a raw binary named .bin"

_LOOK = 4096
"""Bytes from the start of the file that are looked at."""


def read_build(
    source: ByteSource, *, name: str, file: str, raw_start: int | None = None, names_only: bool = False
) -> Build:
    """The build in ``source``.

    ``name`` is the build's name in the layout, ``file`` the path as the user wrote it (for messages and
    for its suffix), ``raw_start`` the address of the first byte of a raw binary.  ``names_only``: its names are
    needed and not its bytes.  Raises BuildError with everything that is wrong.
    """
    start = source.read(0, min(_LOOK, source.size))
    kind = recognised_kind(start, file)
    if kind == "elf":
        from gemel.builds.elf_builds import read_elf

        return read_elf(source, name=name, file=file, names_only=names_only)
    from gemel.builds.flat_builds import read_flat

    return read_flat(source, kind, name=name, file=file, raw_start=raw_start)


def recognised_kind(start: bytes, file: str) -> BuildKind:
    """What kind of build begins with the bytes ``start``; ``file`` gives the suffix.

    Raises BuildError if content and suffix contradict each other or neither says anything.
    """
    promised = SUFFIXES.get(FilePath(file).suffix.lower())
    if not start:
        raise BuildError(
            "the file is empty",
            where=file,
            found="0 bytes",
            expected=KIND_NAMES[promised] if promised else "a build",
            next_step="check the step that made the file",
        )
    if other := foreign(start, text=promised != "bin"):
        expected = KIND_NAMES[promised] if promised else ANY_KIND
        raise BuildError(
            f"this is not {expected if promised else 'a build'}",
            where=file,
            found=other.words,
            expected=expected,
            next_step=other.step,
        )
    found = _kind_of_content(start, promised)
    if found is None and promised == "bin":
        return "bin"
    if found is None or (promised is not None and found != promised):
        raise BuildError(_contradiction(start, file, promised, found))
    return found


def _kind_of_content(start: bytes, promised: BuildKind | None) -> BuildKind | None:
    """What the content is, if it is one of the kinds that show it."""
    if start.startswith(ELF_START):
        return "elf"
    if found := text_format(start):
        return found
    # A broken first line of a file that promises text: its own reader says best what is wrong.
    first = start.lstrip()[:2]
    if promised == "hex" and first[:1] == b":":
        return "hex"
    if promised == "srec" and first[:1] in (b"S", b"s") and first[1:].isdigit():
        return "srec"
    return None


def _contradiction(start: bytes, file: str, promised: BuildKind | None, found: BuildKind | None) -> Problem:
    if found is not None:
        return Problem(
            "the content of the file does not match its name",
            where=file,
            found=KIND_NAMES[found],
            expected=KIND_NAMES[promised] if promised else "",
            next_step="give the right file, or rename it if its content is what is meant",
        )
    shown = f"the first bytes {start[:4].hex(' ').upper()}"
    if _is_text(start):
        shown = next((words for begin, words in _TEXTS.items() if start.lstrip().startswith(begin)), "text")
    elif promised == "elf" and ELF_START.startswith(start[:4]):
        shown = f"a file cut after {len(start)} bytes"
    return Problem(
        f"this is not {KIND_NAMES[promised]}" if promised else "the kind of build cannot be recognised",
        where=file,
        found=shown,
        expected=_MARKS[promised] if promised else ANY_KIND,
        next_step="check the step that made the file, and that the copy is whole",
    )


_TEXTS = {
    b"<": "text of a web page or the like",
}
"""What is often found in a build's place, by its beginning; other text may be a secret, so none is quoted."""

_MARKS: dict[BuildKind, str] = {
    "elf": "the first bytes 7F 45 4C 46",
    "hex": "a first line that begins with a colon",
    "srec": "a first line that begins with S and a digit",
    "bin": "bytes",
}


def _is_text(start: bytes) -> bool:
    head = start[:64]
    return all(0x20 <= byte < 0x7F or byte in b"\t\r\n" for byte in head)
