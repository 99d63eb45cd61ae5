"""What a comparison finds, as plain data; text and JSON are two renderings of it.

Addresses are plain addresses (as the programmer sees them) unless a field says otherwise; sizes are bytes.
"""

from __future__ import annotations

from typing import Annotated, Literal

from gemel.checking.identity import Identity
from gemel.spans import Address, Signed, Span
from gemel.structs import NamedTuple, Struct

FORMAT = 2
"""Version of the JSON form; 2: ``old`` and ``new`` are identities, as in a check's report."""

Direction = Literal["same", "rises", "falls", "not known"]
SymbolChangeKind = Literal["added", "removed", "grown", "shrunk", "changed"]
PartChangeKind = Literal["added", "removed", "changed", "moved"]


class FieldChange(Struct):
    """A field of the record."""

    field: Annotated[str, "the field, with the build's name where it is one of a build"]
    old: Annotated[str, "its value in the old image; empty: it has none"]
    new: Annotated[str, "its value in the new image; empty: it has none"]


class SignerChange(Struct):
    """A signer of the seal that only one of the images has; whether its signature holds is not looked at."""

    algorithm: Annotated[str, "the signature algorithm"]
    key: Annotated[bytes, "SHA-256 of the public key"]
    change: Annotated[Literal["added", "removed"], "which image lacks it"]


class BlockChange(Struct):
    """What must be erased and programmed in one memory."""

    memory: Annotated[str, "the memory; empty: no layout was given"]
    span: Annotated[Span, "the memory, or the stretch that the files hold outside all memories"]
    unit: Annotated[int, "bytes of an erase block, or of the blocks that stand for them"]
    unit_known: Annotated[bool, "whether the layout states the erase block"]
    changed: Annotated[int, "blocks that differ"]
    blocks: Annotated[int, "blocks of the memory, or of what the files hold where there is no layout"]
    spans: Annotated[tuple[Span, ...], "the blocks that differ, neighbours as one"]
    bytes_changed: Annotated[int, "bytes that differ"]


class AreaChange(Struct):
    """Bytes of an area that differ."""

    area: Annotated[str, "the area; empty: outside all areas"]
    memory: Annotated[str, "its memory; empty: in none"]
    span: Annotated[Span, "the area, or the stretch outside all areas"]
    bytes_changed: Annotated[int, "bytes that differ"]
    first: Annotated[Address, "the first byte that differs"]
    last: Annotated[Address, "the last byte that differs"]


class VectorChange(Struct):
    """Entries of a vector table whose handler is another one; addresses are as the core sees them."""

    build: Annotated[str, "the build whose table it is"]
    first: Annotated[int, "number of the first entry"]
    last: Annotated[int, "number of the last entry that changes in the same way"]
    name: Annotated[str, "the exception or interrupt"]
    old: Annotated[Address, "the word in the old image"]
    new: Annotated[Address, "the word in the new image"]
    old_symbol: Annotated[str, "the function there in the old build; empty: not known"]
    new_symbol: Annotated[str, "the function there in the new build; empty: not known"]


class SectionChange(Struct):
    """A section of a build that the program takes memory for."""

    name: Annotated[str, "the section"]
    change: Annotated[
        PartChangeKind, "what became of it; changed: of another size, or other bytes of the same size"
    ]
    old_size: Annotated[int, "bytes in the old build; 0: it has none"]
    new_size: Annotated[int, "bytes in the new build; 0: it has none"]


class SymbolChange(Struct):
    """A function or an object; changed: its own bytes differ, beyond addresses of what only moved."""

    name: Annotated[str, "the symbol"]
    kind: Annotated[Literal["function", "object"], "what it names"]
    change: Annotated[SymbolChangeKind, "what became of it"]
    old_size: Annotated[int, "bytes in the old build; 0: it has none"]
    new_size: Annotated[int, "bytes in the new build; 0: it has none"]


class Moved(Struct):
    """Symbols that are what they were, all moved by the same distance."""

    distance: Annotated[Signed, "bytes towards higher addresses; negative: towards lower ones"]
    count: Annotated[int, "how many"]


class BuildChange(Struct):
    """A build; sections and symbols are compared where both ELF files are given."""

    build: Annotated[str, "the build"]
    old_stored: Annotated[Span | None, "where it is stored in the old image; null: not found"]
    new_stored: Annotated[Span | None, "where it is stored in the new image; null: not found"]
    same_bytes: Annotated[bool, "whether the stored bytes are the same, wherever they are"]
    not_compared: Annotated[str, "why sections and symbols are not compared; empty: they are"]
    sections: Annotated[tuple[SectionChange, ...], "sections that differ"]
    symbols: Annotated[tuple[SymbolChange, ...], "functions and objects that differ"]
    moved: Annotated[tuple[Moved, ...], "how many symbols only moved, the largest group first"]
    unchanged: Annotated[int, "symbols that are where and what they were"]


class ContractBreak(Struct):
    """What both cores share and an old and a new build lay out differently: they cannot run together."""

    contract: Annotated[str, "the contract"]
    name: Annotated[str, "the type or symbol"]
    build: Annotated[str, "the build whose old and new file differ"]
    lines: Annotated[tuple[str, ...], "old and new next to each other"]


class SharedBreak(NamedTuple):
    """One break of all the builds that have it: a sentence, and old and new next to each other."""

    what: str
    lines: tuple[str, ...]


class Comparison(Struct):
    """Everything that changed from the old image to the new one."""

    old: Annotated[Identity, "the old image, and by what it was compared"]
    new: Annotated[Identity, "the new image, and by what it was compared"]
    same: Annotated[
        bool, "whether a device holds the same bytes after either; unwritten bytes count as erased"
    ]
    breaks: Annotated[tuple[ContractBreak, ...], "shared things that an old and a new core read differently"]
    not_compared: Annotated[tuple[str, ...], "what could not be compared, and why"]
    rollback: Annotated[Direction, "the rollback counter from old to new"]
    fields: Annotated[tuple[FieldChange, ...], "fields of the record that differ"]
    signers: Annotated[tuple[SignerChange, ...], "signers that one image alone has"]
    memories: Annotated[tuple[BlockChange, ...], "erase blocks that differ, by memory"]
    areas: Annotated[tuple[AreaChange, ...], "areas whose bytes differ, by address"]
    vectors: Annotated[tuple[VectorChange, ...], "vector table entries that differ"]
    builds: Annotated[tuple[BuildChange, ...], "the layout's builds"]

    @property
    def shared_breaks(self) -> list[SharedBreak]:
        """The breaks, those that several builds have alike as one."""
        builds: dict[tuple[str, str, tuple[str, ...]], list[str]] = {}
        for each in self.breaks:
            builds.setdefault((each.contract, each.name, each.lines), []).append(each.build)
        return [
            SharedBreak(
                f"{name} of contract {contract} is another one in the new build{'s' if names[1:] else ''} "
                f"{' and '.join(names)}",
                lines,
            )
            for (contract, name, lines), names in builds.items()
        ]
