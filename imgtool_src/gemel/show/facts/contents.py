"""What ``show`` shows of an image, as plain data.  Text and JSON are two renderings of it.

The words at each field become its description in the JSON Schema.  Addresses
are plain addresses (as the programmer sees them) unless a field says otherwise; sizes are bytes.
"""

from __future__ import annotations

from typing import Annotated, Literal

from gemel.checking.identity import Identity
from gemel.spans import Address, Span
from gemel.structs import Struct

FORMAT = 1
"""Version of the JSON form; a change that an old reader would misread gets the next number."""


Match = Literal["matches", "differs", "not known"]
"""Whether a value in the image equals what it is computed from; not known: it cannot be computed."""

PartKind = Literal["build", "record", "seal", "stamp", "checksum", "unknown", "ram claim", "copy"]
"""What takes bytes of an area.

ram claim: memory that a build takes at run time, by its ELF file, its heap and stack as far as the linker
script shows them included; copy: where a build is copied to
run, reported where no ELF file shows its claims.
"""


class ImageFacts(Struct):
    """The image file."""

    file: Annotated[str, "the file's name"]
    size: Annotated[int, "bytes it holds"]
    entry: Annotated[Address | None, "start address that the file names; null: none"]
    runs: Annotated[tuple[Span, ...], "runs of bytes that it holds, ascending"]
    gaps: Annotated[tuple[Span, ...], "addresses between the runs, ascending"]


class LayoutFacts(Struct):
    """The layout it is read by."""

    file: Annotated[str, "the file's name"]
    product: Annotated[str, "the product's name in the layout"]
    sha256: Annotated[bytes, "digest of the layout, as the record keeps it"]


class AreaPart(Struct):
    """Bytes of an area that something takes."""

    kind: Annotated[PartKind, "what uses them"]
    name: Annotated[str, "the build, stamp or checksum; else what it is in words"]
    spans: Annotated[tuple[Span, ...], "the bytes, ascending, apart"]
    size: Annotated[int, "bytes of all spans"]


class SymbolUse(Struct):
    """An object or a function of a given build."""

    name: Annotated[str, "the symbol"]
    build: Annotated[str, "the build that has it"]
    span: Annotated[Span, "the bytes it takes"]
    size: Annotated[int, "how many these are"]


class AreaUse(Struct):
    """An area, or a stretch of a memory that no area takes."""

    name: Annotated[str | None, "the area's name; null: no area is here"]
    purpose: Annotated[str | None, "the area's purpose; null: no area is here"]
    span: Annotated[Span, "where it is"]
    used: Annotated[int, "bytes that parts take, each counted once"]
    free: Annotated[int, "bytes that nothing uses"]
    per_cent: Annotated[float, "used of the area's size, to one place"]
    largest_free: Annotated[Span | None, "the longest stretch that nothing uses; null: none is free"]
    parts: Annotated[tuple[AreaPart, ...], "what uses its bytes, by address"]
    largest: Annotated[
        tuple[SymbolUse, ...],
        "the three largest objects or functions of each given build that begin in it, largest first",
    ]


class CoreView(Struct):
    """A core that sees a memory elsewhere."""

    core: Annotated[str, "the core"]
    start: Annotated[Address, "where it sees the memory's first byte"]


class MemoryUse(Struct):
    """A memory of the layout."""

    name: Annotated[str, "its name"]
    kind: Annotated[str, "flash, ram, rom or device"]
    span: Annotated[Span, "where it is"]
    erase_block: Annotated[int | None, "bytes erased at once; null: not known"]
    write_unit: Annotated[int, "bytes programmed at once"]
    erased_byte: Annotated[int, "what an erased byte reads"]
    aliases: Annotated[tuple[Address, ...], "other addresses at which every core sees it"]
    views: Annotated[tuple[CoreView, ...], "cores that see it elsewhere instead"]
    used: Annotated[int, "bytes that are used, inside areas and outside"]
    all_known: Annotated[bool, "false for RAM of which a build may take more, as its ELF file was not given"]
    per_cent: Annotated[float, "used of its size, to one place"]
    areas: Annotated[tuple[AreaUse, ...], "all of the memory, by address: areas and what is between them"]


class Overlay(Struct):
    """A section that takes turns with others at one place in memory."""

    name: Annotated[str, "the section"]
    run: Annotated[Span, "where its core uses it, as that core sees it"]
    stored: Annotated[Span | None, "where it is stored; null: it has no bytes in the file"]


class BuildUse(Struct):
    """A build of the layout, where it is in the image."""

    name: Annotated[str, "its name"]
    core: Annotated[str, "the core that runs it"]
    role: Annotated[str, "the core's role: primary or secondary"]
    area: Annotated[str, "the area it is stored in"]
    known_from: Annotated[
        Literal["build", "record", "layout", "nothing"],
        "what shows its place: the build's file, the record, or the layout (then guessed from the bytes of "
        "its area); nothing: it is not in the image",
    ]
    file: Annotated[str | None, "the build's file if it was given"]
    stored: Annotated[Span | None, "where it is stored"]
    per_cent: Annotated[float | None, "of its area, to one place"]
    run: Annotated[Span | None, "where its core runs it, as that core sees it"]
    vectors: Annotated[Address | None, "where its core sees its vector table"]
    build_id: Annotated[bytes | None, "its build id; null: none, or not known"]
    ram: Annotated[int | None, "bytes of RAM that it claims; null: not known without its ELF file"]
    overlays: Annotated[tuple[Overlay, ...], "sections of which one at a time is in memory, by run address"]


class RecordBuild(Struct):
    """What a record says of one build, and whether the image agrees."""

    name: Annotated[str, "the build's name"]
    core: Annotated[str, "the core that runs it"]
    role: Annotated[str, "the core's role"]
    stored: Annotated[Span, "where it is stored"]
    run_start: Annotated[Address, "where its core runs it"]
    vectors: Annotated[Address | None, "address of its vector table as its core sees it; null: none"]
    build_id: Annotated[bytes | None, "its build id; null: none"]
    build_id_of_file: Annotated[Match, "whether the build's file that was given has this build id"]
    crc32: Annotated[Address, "CRC-32/ISO-HDLC in the record"]
    crc32_of_image: Annotated[Match, "whether the image's bytes have this CRC-32"]
    sha256: Annotated[bytes, "SHA-256 in the record"]
    sha256_of_image: Annotated[Match, "whether the image's bytes have this SHA-256"]


class RecordFacts(Struct):
    """A sound record in the image."""

    span: Annotated[Span, "where it is"]
    in_its_area: Annotated[bool | None, "whether it is where the layout says; null: it says nothing"]
    product: Annotated[str, "the product's name"]
    version: Annotated[str, "the version, X.Y.Z"]
    rollback: Annotated[int, "the rollback counter"]
    vendor_id: Annotated[str | None, "the vendor's UUID"]
    class_id: Annotated[str | None, "the UUID of the class of device"]
    layout_sha256: Annotated[bytes, "digest of the layout it was joined by"]
    layout: Annotated[Match, "whether that is the layout given"]
    rest_sha256: Annotated[bytes, "digest of the flash outside builds and record"]
    rest: Annotated[Match, "whether the image has this digest; computing it needs the layout"]
    builds: Annotated[tuple[RecordBuild, ...], "its builds"]

    @property
    def differs(self) -> bool:
        """Whether the image is not what the record says, as far as it was compared."""
        digests = [match for build in self.builds for match in (build.crc32_of_image, build.sha256_of_image)]
        return "differs" in (self.rest, self.layout, *digests)


class BrokenRecord(Struct):
    """A place where a record should be, or seems to be, and is not sound."""

    start: Annotated[Address, "where it should begin"]
    expected: Annotated[bool, "whether the layout says that a record is here"]
    missing: Annotated[bool, "whether nothing there looks like a record"]
    problems: Annotated[tuple[str, ...], "what is wrong with it"]


SignerVerdict = Literal["holds", "does not hold", "key unknown", "not verified"]
"""not verified: nobody gave a key; key unknown: none of the keys that were given is its own."""


class SealSignerFacts(Struct):
    """One signer of a seal."""

    algorithm: Annotated[str, "the signature's algorithm"]
    key_id: Annotated[bytes, "SHA-256 of the public key"]
    verdict: Annotated[SignerVerdict, "what became of it, with the keys that were given"]


class SealFacts(Struct):
    """A seal in the image, or the area where the layout expects one."""

    span: Annotated[Span, "where it is"]
    in_its_area: Annotated[bool | None, "whether it begins where the layout says; null: it says nothing"]
    missing: Annotated[bool, "whether every byte of the area is erased"]
    problem: Annotated[str, "why it is no well-formed seal; empty: it is one"]
    record: Annotated[Address | None, "the record that a signature holds over; null: none was found to"]
    signers: Annotated[tuple[SealSignerFacts, ...], "its signers"]


class VectorGroup(Struct):
    """Neighbouring entries of a vector table that hold the same word."""

    first: Annotated[int, "number of the first entry"]
    last: Annotated[int, "number of the last entry"]
    name: Annotated[str, "what the architecture calls them"]
    value: Annotated[Address, "the word they hold"]
    symbol: Annotated[str | None, "the function there, by the build's symbols"]
    used: Annotated[bool, "whether they hold a handler (or the stack pointer)"]
    note: Annotated[str, "where a stack pointer points, or what is odd; empty: nothing to say"]


class VectorFacts(Struct):
    """The vector table of one build."""

    build: Annotated[str, "the build"]
    core: Annotated[str, "the core that runs it"]
    span: Annotated[Span, "where the table is in the image"]
    seen_at: Annotated[Address, "where its core sees it"]
    entries: Annotated[int, "how many entries it has"]
    unused: Annotated[int, "how many of the device's own handlers are not used"]
    groups: Annotated[tuple[VectorGroup, ...], "its entries, in order"]


class VectorHint(Struct):
    """A place that looks like a vector table: a hint, not a finding."""

    start: Annotated[Address, "where it would begin"]
    stack: Annotated[Address, "word 0, which would be the initial stack pointer"]
    reset: Annotated[Address, "word 1, which would be the reset handler"]
    runs_from_ram: Annotated[bool, "whether its handlers are in RAM: it would be copied before it runs"]


class WrittenValue(Struct):
    """A stamp or a checksum of the layout, as the image holds it."""

    kind: Annotated[Literal["stamp", "checksum"], "which of the two"]
    name: Annotated[str, "its name"]
    source: Annotated[str, "what it says: the algorithm, or what the value is taken from"]
    span: Annotated[Span | None, "where it is; null: the place is not known"]
    value: Annotated[bytes | None, "the bytes in the image"]
    shown: Annotated[str, "the value for people"]
    match: Annotated[Match, "whether the image has the value it must have"]
    expected: Annotated[str, "the value it must have, where it differs; else why it is not known"]


class FilePiece(Struct):
    """A stretch of the file, where no layout is given."""

    kind: Annotated[Literal["bytes", "blank", "build", "record"], "blank: one byte value over and over"]
    name: Annotated[str, "the build's name, or what it is in words"]
    span: Annotated[Span, "where it is"]


class Contents(Struct, kw_only=True):
    """What is in an image."""

    identity: Annotated[Identity, "what is shown, and by what: as in a check's report"]
    image: Annotated[ImageFacts, "the file"]
    layout: Annotated[LayoutFacts | None, "the layout; null: none was given"] = None
    memories: Annotated[tuple[MemoryUse, ...], "the layout's memories"] = ()
    outside: Annotated[tuple[Span, ...], "bytes of the image that are in no memory of the layout"] = ()
    builds: Annotated[tuple[BuildUse, ...], "the layout's builds"] = ()
    records: Annotated[tuple[RecordFacts, ...], "sound records, by address"]
    broken_records: Annotated[tuple[BrokenRecord, ...], "records that are expected and missing, or damaged"]
    seals: Annotated[tuple[SealFacts, ...], "the seals, and the area where one is expected"]
    vector_tables: Annotated[tuple[VectorFacts, ...], "the vector tables of the builds"] = ()
    values: Annotated[tuple[WrittenValue, ...], "stamps and checksums"] = ()
    pieces: Annotated[tuple[FilePiece, ...], "without a layout: the file cut into pieces"] = ()
    vector_hints: Annotated[tuple[VectorHint, ...], "without a layout: what looks like vector tables"] = ()

    @property
    def is_signed(self) -> bool:
        """Whether a given key's signature holds over a record, and everything that was compared is as it says."""
        return any(self.signers_of(record) and not record.differs for record in self.records)

    def signers_of(self, record: RecordFacts) -> list[SealSignerFacts]:
        """The signers whose signatures hold over this record, of seals in which no known key's signature does not."""
        return [
            signer
            for seal in self.seals
            if seal.record == record.span.start and seal.in_its_area is not False
            if all(each.verdict != "does not hold" for each in seal.signers)
            for signer in seal.signers
            if signer.verdict == "holds"
        ]
