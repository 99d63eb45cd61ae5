"""The layout as frozen data.  Each field declares its key: kind, meaning and default.

Addresses are 32-bit byte addresses, sizes are bytes.  A layout made by ``reader.read_layout`` has
passed ``reader.CHECKS``: names refer to things that exist, areas are inside their memories and apart.
"""

from __future__ import annotations

import datetime
from functools import cached_property
from typing import Literal

from gemel.layout.copy_model import CopiedBy
from gemel.layout.kinds import (
    VENDOR,
    Address,
    Always,
    Byte,
    Choice,
    Day,
    Flag,
    Integer,
    Size,
    Text,
    VersionText,
    Word,
    key,
)
from gemel.layout.rehearsal_model import RehearsalPlan
from gemel.layout.tables import LABEL, NAME, Either, ListOf, MapOf, Table
from gemel.m_profile.architectures import ARCHITECTURES, EXTENSIONS, MAX_INTERRUPTS
from gemel.spans import Span
from gemel.structs import Struct

ATTRIBUTIONS = ("secure", "non-secure", "non-secure-callable")
PURPOSES = ("code", "data", "shared", "record", "seal", "reserved", "settings")
LEFT_ALONE = ("reserved", "settings")
"""Purposes of areas that an image leaves alone: the device has something there from elsewhere, or writes there."""

NOT_FREE = ("record", "seal", *LEFT_ALONE)
"""Purposes of areas into which no stamp or checksum is written."""

RECORD_NAME = "record"
"""What messages call the record among the values that join writes; no stamp or checksum has this name."""

HIGHEST = 0xFFFF_FFFF


class Memory(Struct, kw_only=True):
    """A piece of the device's address space."""

    name: str
    kind: Literal["flash", "ram", "rom", "device"] = key(
        Choice("flash", "ram", "rom", "device"), "what it is; device means registers"
    )
    start: int = key(Address(), "first address, as the primary and the programmer see it")
    size: int = key(Size(), "bytes")
    erase_block: int | None = key(Size(), "bytes erased at once; absent: not known", None)
    write_unit: int = key(Size(), "bytes programmed at once; the ends of builds are padded to it", 1)
    erased_byte: int = key(Byte(), "what an erased byte reads", 0xFF)
    aliases: tuple[int, ...] = key(
        ListOf(Address(), 16), "other addresses at which every core sees the same bytes", ()
    )
    views: dict[str, int] = key(MapOf(Address(), 16), "cores that see it elsewhere instead, and where", {})

    @property
    def span(self) -> Span:
        """The memory's addresses as the primary and the programmer see them."""
        return Span(self.start, self.size)

    @property
    def words(self) -> str:
        """What messages call it: its name, and its kind where the name does not say it."""
        return f"memory {self.name}{'' if self.kind in self.name.lower() else f' of kind {self.kind}'}"

    @property
    def holds_image(self) -> bool:
        """Whether image bytes may be here."""
        return self.kind in ("flash", "rom")


class Release(Struct, kw_only=True):
    """What the primary must write so that the secondary leaves reset."""

    vector_register: int = key(Address(), "register that receives the address of the secondary's vectors")
    control_register: int = key(Address(), "register that lets the secondary run")
    release_mask: int = key(Word(), "bits of the control register that matter", HIGHEST)
    release_value: int = key(Word(), "what these bits must read for the core to run")
    key_mask: int = key(Word(), "bits that must hold an unlock key in the same write; 0: none", 0)
    key_value: int = key(Word(), "the unlock key", 0)


class Core(Struct, kw_only=True):
    """A processor of the device."""

    name: str
    role: Literal["primary", "secondary"] = key(
        Choice("primary", "secondary"), "primary starts at reset; secondary waits for its release"
    )
    architecture: str = key(
        Choice(
            *ARCHITECTURES,
            step="write the core's architecture, not its name: `gemel draft NAME=BUILD` reads it from a build",
        ),
        "the architecture's name, as the compiler's -march",
    )
    extensions: tuple[str, ...] = key(
        ListOf(Choice(*EXTENSIONS), 16), "what the core has beyond its architecture", ()
    )
    interrupts: int = key(
        Integer(0, MAX_INTERRUPTS), "external interrupts: its vector table has 16 + this many entries"
    )
    ram: tuple[str, ...] = key(ListOf(NAME, 64), "areas of RAM that it owns", ())
    reset_vectors: int | None = key(
        Address(), "where it fetches its vectors at reset; absent: start of its lowest code area", None
    )
    vector_alignment: int | None = key(
        Size(), "bytes, where the device demands more than the architecture", None
    )
    release: Release | None = key(Table(Release), "of a secondary: how the primary releases it", None)


class Area(Struct, kw_only=True):
    """A named range inside one memory, set aside for one purpose."""

    name: str
    memory: str = key(NAME, "the memory it is in")
    offset: int = key(Size(0), "bytes from the start of the memory")
    size: int = key(Size(), "bytes")
    purpose: Literal["code", "data", "shared", "record", "seal", "reserved", "settings"] = key(
        Choice(*PURPOSES),
        "what it is for; reserved, and settings, which the device writes: not for the image",
    )
    security: Literal["secure", "non-secure", "non-secure-callable"] | None = key(
        Choice(*ATTRIBUTIONS), "how a core with the security extension sees it; absent: not stated", None
    )


class BuildPlan(Struct, kw_only=True):
    """Where a team's build goes."""

    name: str
    core: str = key(NAME, "the core that runs it")
    stored_in: str = key(NAME, "the area of flash it is stored in")
    also_stored_in: tuple[str, ...] = key(
        ListOf(NAME, 16),
        "further areas of flash that hold bytes of it, such as constants apart from the code",
        (),
    )
    runs_in: str | None = key(NAME, "the RAM area that the primary copies it to; absent: runs in place", None)
    copied_by: CopiedBy | None = key(
        Table(CopiedBy), "the constants by which the primary copies it; absent: not known", None
    )
    path: str | None = key(
        Text(), "the file, relative to the layout; the command line overrides it", None, digested=False
    )
    vector_offset: int = key(Size(0), "bytes from the start of its area to its vector table", 0)


class SymbolPlace(Struct, kw_only=True):
    """The address of a build's symbol, for a value that is written there."""

    build: str = key(NAME, "the build that defines the symbol")
    symbol: str = key(Text(512), "the symbol's name")
    offset: int = key(Size(0), "bytes after the symbol's address", 0)


class AreaPlace(Struct, kw_only=True):
    """An address inside an area."""

    area: str = key(NAME, "the area")
    offset: int = key(Size(0), "bytes from its start", 0)


PatchPlace = int | SymbolPlace | AreaPlace
PLACE = Either(Address(), Table(SymbolPlace), Table(AreaPlace))


class StampValue(Struct, kw_only=True):
    """A value that is known only at join; exactly one of the keys."""

    size_of: str | None = key(NAME, "bytes of a build as stored (or of an area)", None)
    start_of: str | None = key(NAME, "address at which a build is stored (or an area starts)", None)
    end_of: str | None = key(NAME, "first address after a build as stored (or after an area)", None)
    run_start_of: str | None = key(NAME, "address a build runs from, as its core sees it", None)
    vectors_of: str | None = key(NAME, "address of a build's vector table, as its core sees it", None)
    version: str | None = key(
        Choice("packed", "text"), "packed: major << 24 | minor << 16 | patch; text: X.Y.Z", None
    )
    rollback: bool | None = key(Always(True), "the rollback counter", None)
    build_id_of: str | None = key(NAME, "a build's build id", None)
    sha256_of: str | None = key(NAME, "SHA-256 of a build's bytes as stored (or of an area)", None)


class Stamp(Struct, kw_only=True):
    """A value written into the image at join."""

    name: str = key(LABEL, "what messages call it")
    at: PatchPlace = key(PLACE, "where it is written: an address, a build's symbol, or a place in an area")
    width: int = key(Integer(1, 256), "bytes it takes; text and digests are padded with zeros")
    byte_order: Literal["little", "big"] = key(Choice("little", "big"), "of numbers", "little")
    value: int | str | StampValue = key(
        Either(Integer(0, (1 << 64) - 1), Text(256, ""), Table(StampValue, exactly_one=True)),
        "a number, a text, or what to find out",
    )
    unit: int = key(Size(), "bytes that size_of counts by, rounded up: 4 for words", 1)


class CrcTable(Struct, kw_only=True):
    """A CRC by its parameters, as the catalogue of parametrised CRC algorithms writes them."""

    width: int = key(Integer(3, 64), "bits")
    poly: int = key(Integer(0, (1 << 64) - 1), "polynomial, top term left out, most significant bit first")
    init: int = key(Integer(0, (1 << 64) - 1), "register at the start")
    refin: bool = key(Flag(), "each byte enters least significant bit first")
    refout: bool = key(Flag(), "the register is reversed at the end")
    xorout: int = key(Integer(0, (1 << 64) - 1), "exclusive-or at the end")


class SpanRange(Struct, kw_only=True):
    """Bytes by address, for a checksum."""

    start: int = key(Address(), "first address")
    size: int = key(Size(), "bytes")


class AreaRange(Struct, kw_only=True):
    """Bytes of an area, for a checksum."""

    area: str = key(NAME, "the area")
    offset: int = key(Size(0), "bytes from its start", 0)
    size: int | None = key(Size(), "bytes; absent: to the area's end", None)


class BuildRange(Struct, kw_only=True):
    """A build's bytes as stored, for a checksum: its length comes from the build, not from the area."""

    build: str = key(NAME, "the build")


Range = str | SpanRange | AreaRange | BuildRange
RANGE = Either(NAME, Table(SpanRange), Table(AreaRange), Table(BuildRange))


class Checksum(Struct, kw_only=True):
    """A CRC or sum over ranges, written into the image."""

    name: str = key(LABEL, "what messages call it")
    algorithm: str | CrcTable = key(
        Either(Text(64), Table(CrcTable)), "name of the CRC catalogue, a sum's name, or CRC parameters"
    )
    over: tuple[Range, ...] = key(
        ListOf(RANGE, 256), "what it covers, in this order; unwritten bytes count as the erased byte"
    )
    exceptions: tuple[Range, ...] = key(ListOf(RANGE, 256), "bytes left out of it", (), name="except")
    at: PatchPlace = key(PLACE, "where it is written")
    byte_order: Literal["little", "big"] = key(Choice("little", "big"), "of the checksum", "little")
    feed: Literal["byte", "half-word", "word"] = key(
        Choice("byte", "half-word", "word"), "unit in which the device's CRC unit takes memory", "byte"
    )
    hamming_distance: int | None = key(
        Integer(2, 6),
        "fewer bit errors than this, in any pattern, must be found; absent: 4 (2 below 24 bits)",
        None,
    )


class BootSymbol(Struct, kw_only=True):
    """A constant in the primary's code that must hold the secondary's vector address."""

    build: str = key(NAME, "the build that defines it")
    symbol: str = key(Text(512), "its name")


class Contract(Struct, kw_only=True):
    """What both cores' code must agree on."""

    name: str
    area: str = key(NAME, "the shared area")
    symbols: tuple[str, ...] = key(ListOf(Text(512), 256), "same address and size in both builds", ())
    types: tuple[str, ...] = key(
        ListOf(Text(512), 256), "same size, offsets and encodings in both builds", ()
    )
    constants: tuple[str, ...] = key(
        ListOf(Text(512), 256), "enumerators, or symbols of constants, of one value in both builds", ()
    )
    follow_pointers: bool = key(
        Flag(), "whether what the pointers in these types point at must be laid out the same way too", False
    )
    boot_symbol: BootSymbol | None = key(
        Table(BootSymbol), "a constant that must hold the secondary's vector address", None
    )


class RecordPlan(Struct, kw_only=True):
    """The record that gemel writes into the image."""

    area: str = key(NAME, "area of purpose record")
    vendor: str | None = key(VENDOR, "vendor: a domain name (its UUIDv5 is used) or a UUID", None)
    product_class: str | None = key(
        Text(253), "class of device: a text (UUIDv5 of it under the vendor) or a UUID", None, name="class"
    )


class SealPlan(Struct, kw_only=True):
    """The signature block over the record."""

    area: str = key(NAME, "area of purpose seal")
    required: bool = key(Flag(), "whether an image without a sound seal is refused", False, digested=False)
    trust: tuple[str, ...] = key(
        ListOf(Text(), 64), "public key files, relative to the layout", (), digested=False
    )
    algorithms: tuple[str, ...] = key(
        ListOf(Text(64), 16), "signature algorithms allowed; none: all of a seal's", (), digested=False
    )
    signers: int = key(Integer(1, 8), "how many trusted keys must have signed", 1, digested=False)
    pair: bool = key(
        Flag(), "whether one classical and one ML-DSA signature must both hold", False, digested=False
    )
    unknown_signers: int = key(
        Integer(0, 8), "how many signers with unknown keys a seal may have (rotation)", 0, digested=False
    )


class Waiver(Struct, kw_only=True):
    """One broken rule that is accepted, with a reason and an end."""

    rule: str = key(Text(80), "the rule's name")
    where: str = key(Text(80), "the area, build, core, memory, stamp or checksum the finding names")
    reason: str = key(Text(2000, ""), "why it is acceptable")
    until: datetime.date = key(Day(), "last day on which it counts")


class SeverityChange(Struct, kw_only=True):
    """A rule whose findings count for more or less in this product than they do by themselves."""

    rule: str = key(Text(80), "the rule's name; what guards the image stays an error")
    severity: Literal["error", "warning", "note"] = key(
        Choice("error", "warning", "note"), "error: the image is refused; warning and note: it is not"
    )
    reason: str = key(Text(2000, ""), "why")


class RulesPlan(Struct, kw_only=True):
    """How this product wants the rules applied."""

    waive: tuple[Waiver, ...] = key(ListOf(Table(Waiver), 256), "accepted findings", ())
    severity: tuple[SeverityChange, ...] = key(
        ListOf(Table(SeverityChange), 256), "rules whose findings count for more or less", ()
    )


class Layout(Struct, kw_only=True, dict=True):
    """A whole layout file."""

    format: int = key(Always(1), "version of the layout language")
    product: str = key(Text(31), "the product's name, up to 31 bytes; goes into the record")
    version: str | None = key(VersionText(), "version; the command line overrides it", None)
    rollback: int = key(Integer(0, HIGHEST), "rollback counter: never lower than that of an older version", 0)
    memories: dict[str, Memory] = key(MapOf(Table(Memory), 64), "the device's memories", name="memory")
    cores: dict[str, Core] = key(
        MapOf(Table(Core), 16), "its cores: one primary, any number of secondaries", name="core"
    )
    areas: dict[str, Area] = key(MapOf(Table(Area), 512), "what its memories are set aside for", name="area")
    builds: dict[str, BuildPlan] = key(MapOf(Table(BuildPlan), 64), "what goes into the image", name="build")
    contracts: dict[str, Contract] = key(
        MapOf(Table(Contract), 64), "what the cores' code must agree on", {}, name="contract"
    )
    stamps: tuple[Stamp, ...] = key(ListOf(Table(Stamp), 256), "values written at join", (), name="stamp")
    checksums: tuple[Checksum, ...] = key(
        ListOf(Table(Checksum), 256), "checksums written at join", (), name="checksum"
    )
    record: RecordPlan | None = key(Table(RecordPlan), "the record; absent: none is written", None)
    seal: SealPlan | None = key(Table(SealPlan), "the seal; absent: none is expected", None)
    rehearsal: RehearsalPlan | None = key(
        Table(RehearsalPlan), "the emulated device and what both cores must get to", None, digested=False
    )
    rules: RulesPlan = key(Table(RulesPlan), "how the rules are applied", RulesPlan(), digested=False)

    def table_start(self, plan: BuildPlan) -> int:
        """Where the vector table of a build is stored, as the primary and the programmer see it."""
        return self.span_of(plan.stored_in).start + plan.vector_offset

    def span_of(self, area: str) -> Span:
        """The addresses of an area, as the primary and the programmer see them."""
        spans = self._spans
        if area not in spans:
            placed = self.areas[area]
            spans[area] = Span(self.memories[placed.memory].start + placed.offset, placed.size)
        return spans[area]

    @cached_property
    def _spans(self) -> dict[str, Span]:
        """What ``span_of`` was requested before."""
        return {}

    def memory_of(self, area: str) -> Memory:
        """The memory an area is in."""
        return self.memories[self.areas[area].memory]

    def spans_of_build(self, build: BuildPlan) -> list[Span]:
        """The addresses of all areas a build may have bytes in; the one with its code first."""
        return [self.span_of(area) for area in (build.stored_in, *build.also_stored_in)]

    def primary(self) -> Core:
        """The core that starts at reset."""
        return next(core for core in self.cores.values() if core.role == "primary")

    @property
    def written(self) -> list[Stamp | Checksum]:
        """All that a join writes but the record, stamps first."""
        return [*self.stamps, *self.checksums]

    @property
    def flash_start(self) -> int | None:
        """Where a raw binary begins: the first address of flash; None without flash."""
        return min((each.start for each in self.memories.values() if each.kind == "flash"), default=None)

    def secondaries(self) -> list[Core]:
        """The cores that wait for their release."""
        return [core for core in self.cores.values() if core.role == "secondary"]

    def builds_of(self, core: str) -> list[BuildPlan]:
        """The builds a core runs, by the address they are stored at."""
        own = [build for build in self.builds.values() if build.core == core]
        return sorted(own, key=lambda build: self.span_of(build.stored_in).start)
