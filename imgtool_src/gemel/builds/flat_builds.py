"""Intel HEX, S-record and raw binary files as builds.

These hold bytes by address and nothing else, so the build lists what it cannot show.
"""

from __future__ import annotations

from gemel.builds.build import KIND_NAMES, Build, BuildKind
from gemel.builds.segment import Segment
from gemel.builds.source import ByteSource, blocks_of
from gemel.errors import BuildError, ImageFormatError


def read_flat(
    source: ByteSource, kind: BuildKind, *, name: str, file: str, raw_start: int | None = None
) -> Build:
    """The build in a HEX, S-record or raw binary file: one segment for each run of bytes.

    A raw binary begins at ``raw_start``.  Raises BuildError with everything that is wrong with the file.
    """
    from gemel.image import intel_hex, raw_binary, s_record

    try:
        if kind == "hex":
            decoded = intel_hex.decode(blocks_of(source), file)
        elif kind == "srec":
            decoded = s_record.decode(blocks_of(source), file)
        elif raw_start is None:
            raise BuildError(
                "a raw binary does not say where it belongs",
                where=file,
                expected="a start address",
                next_step="give an ELF or HEX file, or a layout in which an area stores the build",
            )
        else:
            decoded = raw_binary.decode(blocks_of(source), raw_start, file)
    except ImageFormatError as error:
        raise BuildError(error.problems) from error
    image = decoded.image
    segments = tuple(
        Segment(
            load_address=span.start,
            run_address=span.start,
            data=image.read(span, None),
            memory_size=span.size,
            readable=True,
            writable=False,
            executable=True,
            index=index,
        )
        for index, span in enumerate(image.spans())
    )
    if not segments:
        raise BuildError(
            "the build is empty: it has nothing to store",
            where=file,
            found=f"{KIND_NAMES[kind]} with no data",
            expected="at least one byte",
            next_step="check the step that made the file",
        )
    return Build(
        name=name,
        file=file,
        kind=kind,
        segments=segments,
        entry=decoded.entry,
        remarks=tuple(decoded.remarks),
        missing=_missing(kind, decoded.entry),
        gaps=decoded.gaps,
    )


def _missing(kind: BuildKind, entry: int | None) -> tuple[str, ...]:
    holder = KIND_NAMES[kind]
    lacks = [
        f"run addresses: {holder} shows only where bytes are stored; taken as the same addresses",
        f"RAM use: {holder} does not show what memory the program uses",
        f"access permissions: {holder} does not separate code from data",
        f"symbols: {holder} has none",
        f"build id: {holder} has none",
        f"build attributes: {holder} has none",
        f"sections: {holder} has none",
    ]
    if entry is None:
        reason = "cannot state one" if kind == "bin" else "states none"
        lacks.append(f"entry point: {holder} {reason}")
    return tuple(lacks)
