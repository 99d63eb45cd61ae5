"""Walking the entries of units without reading what nobody needs.

DWARF 5, section 2.3: entries form a tree; the children of an entry follow it and end with a zero byte.
An entry with children may show where the next one after them is (its sibling).
"""

from __future__ import annotations

import struct
from bisect import bisect_right
from collections.abc import Iterator
from typing import TYPE_CHECKING

from gemel.builds.dwarf.abbreviations import Abbreviation, FormValue, KnownAbbreviations
from gemel.builds.dwarf.constants import STRING_INDEXES, UNIT_RELATIVE, At, Form
from gemel.builds.dwarf.fault import DwarfFault
from gemel.builds.dwarf.sections import DebugData
from gemel.builds.dwarf.units import Unit, read_units
from gemel.spans import offsets_of
from gemel.structs import NamedTuple, replace

if TYPE_CHECKING:
    from gemel.builds.dwarf.split import Beside

STEPS_FREE, BYTES_PER_STEP = 150_000, 5
"""Entries that are walked over at most, in sum: this many, and one for each so many bytes of the file."""

STEPS_OF_READING = 6
"""An entry whose attributes are read costs as much as so many that are walked over."""

MAX_NAME = 4096
"""Bytes of a name that are read at most."""

NameKey = int | bytes
"""A name before it is read: an offset in .debug_str, -1 less one in .debug_line_str, or the text itself."""


class DieOffset(NamedTuple):
    """One entry: where it starts, its unit, its kind, and where its attributes start."""

    offset: int
    unit: Unit
    abbreviation: Abbreviation
    attributes: int


class Attributes(NamedTuple):
    """The attributes of an entry that types need, as written, and where they end."""

    place: DieOffset
    values: dict[int, FormValue]
    end: int

    def number(self, attribute: int) -> int | None:
        """The number that an attribute holds; None if it is not there or no number."""
        value = self.values.get(attribute)
        return value if isinstance(value, int) else None


class Entries:
    """The units of one file and how to get at their entries."""

    __slots__ = ("_data", "_signatures", "_starts", "_steps_left", "elsewhere", "joined", "units")

    def __init__(self, data: DebugData, beside: Beside | None = None, packages: tuple[str, ...] = ()) -> None:
        """Reads the headers of all units; DwarfFault if they do not keep the format.

        ``beside`` gives the files that hold the other halves of split units, or the ``packages`` of all of them.
        ``elsewhere`` has the names of those that could not be read, each with the reason.
        """
        self._data = data
        self.joined = data.info + data.types if data.types else data.info
        known = KnownAbbreviations()
        self.units = read_units(data, self.joined, known)
        self.elsewhere: dict[str, str] = {}
        self._steps_left = STEPS_FREE + self._data.file_size // BYTES_PER_STEP
        if any(unit.split for unit in self.units):
            self._add_halves(beside or (lambda _: None), packages, known)
        self._starts = [unit.start for unit in self.units]
        self._signatures = {unit.signature: unit.type for unit in self.units if unit.signature is not None}

    def _add_halves(self, beside: Beside, packages: tuple[str, ...], known: KnownAbbreviations) -> None:
        from gemel.builds.dwarf.split import read_halves

        wanted: dict[str, set[int | None]] = {}
        for unit in self.units:
            if unit.split:
                top = self._entry(unit, unit.entries)
                attribute = At.DWO_NAME if At.DWO_NAME in top.abbreviation.forms else At.GNU_DWO_NAME
                name = self.text(self.text_key(top, attribute))
                wanted.setdefault(name, set()).add(unit.half)
        info, strings, offsets, size = [self.joined], [self._data.strings], [self._data.string_offsets], 0
        for name, numbers, half in read_halves(wanted, beside, packages):
            if isinstance(half, str):
                self.elsewhere[name] = half
                continue
            joined = half.info + half.types
            try:
                units = read_units(half, joined, known)
            except (DwarfFault, LookupError, ValueError, struct.error) as error:
                self.elsewhere[name] = str(error)
                continue
            if not numbers <= {unit.half for unit in units}:
                self.elsewhere[name] = "of another compilation (the numbers of the two halves differ)"
                continue
            if half.strings is not strings[-1]:
                strings.append(half.strings)
            start, first_offset = (sum(map(len, parts)) for parts in (info, offsets))
            self.units += [
                replace(
                    unit,
                    start=unit.start + start,
                    end=unit.end + start,
                    entries=unit.entries + start,
                    type=unit.type + start,
                    string_offsets=unit.string_offsets + first_offset,
                    file=start,
                    strings=sum(map(len, strings[:-1])),
                )
                for unit in units
            ]
            info.append(joined)
            offsets.append(half.string_offsets)
            size += half.file_size
        self.joined = b"".join(info)
        self._data = self._data._replace(
            strings=b"".join(strings), string_offsets=b"".join(offsets), file_size=self._data.file_size + size
        )
        self._steps_left += size // BYTES_PER_STEP

    def at(self, offset: int) -> DieOffset:
        """The entry at an offset; DwarfFault if none can be there."""
        index = bisect_right(self._starts, offset) - 1
        unit = self.units[index] if index >= 0 else None
        if unit is None or not unit.entries <= offset < unit.end:
            raise DwarfFault(f"a reference to offset {offset:#x}, where no entry is")
        return self._entry(unit, offset)

    def _entry(self, unit: Unit, offset: int) -> DieOffset:
        abbreviation, attributes = unit.abbreviation(self.joined, offset)
        if abbreviation is None:
            raise DwarfFault(f"a reference to offset {offset:#x}, where a list of entries ends")
        return DieOffset(offset, unit, abbreviation, attributes)

    def read(self, place: DieOffset) -> Attributes:
        """The attributes of an entry."""
        self.walked(STEPS_OF_READING)
        values, end = place.abbreviation.read(self.joined, place.attributes)
        return Attributes(place, values, end)

    def children(self, place: DieOffset) -> Iterator[DieOffset]:
        """The entries directly below one."""
        if place.abbreviation.children:
            yield from self.listed(place.unit, place.abbreviation.end(self.joined, place.attributes))

    def walked(self, steps: int) -> None:
        """Counts entries that were passed; DwarfFault where they are more than a file of this size may cost."""
        self._steps_left -= steps
        if self._steps_left < 0:
            raise DwarfFault("its entries take more steps than a file of this size may cost")

    def listed(self, unit: Unit, at: int) -> Iterator[DieOffset]:
        """The entries of the list that starts at ``at``."""
        joined, end = self.joined, unit.end
        while at < end:
            abbreviation, attributes = unit.abbreviation(joined, at)
            if abbreviation is None:
                return
            self.walked(1)
            yield DieOffset(at, unit, abbreviation, attributes)
            at = self.end_of(unit, abbreviation, attributes)

    def end_of(self, unit: Unit, abbreviation: Abbreviation, at: int) -> int:
        """The offset after an entry, whose attributes start at ``at``, and everything below it."""
        joined = self.joined
        if not abbreviation.children:
            return abbreviation.end(joined, at)
        sibling = 0
        if (offset := abbreviation.sibling_at) != -1:
            start = offset + (at if offset >= 0 else abbreviation.end(joined, at))
            sibling = unit.start + int.from_bytes(joined[start : start + 4], "little")
        elif At.SIBLING in abbreviation.forms:
            values, _ = abbreviation.read(joined, at)
            sibling = self.reference(unit, abbreviation, values, At.SIBLING) or 0
        if at < sibling <= unit.end:
            return sibling
        return self._end_of_children(unit, abbreviation.end(joined, at))

    def _end_of_children(self, unit: Unit, at: int) -> int:
        joined, end, known = self.joined, unit.end, unit.abbreviations
        depth, steps = 1, 0
        while depth and at < end:
            steps += 1
            code = joined[at]
            if code == 0:
                depth -= 1
                at += 1
                continue
            if code < 0x80 and (abbreviation := known.get(code)) is not None:
                at += 1
            else:
                abbreviation, at = unit.abbreviation(joined, at)
                if abbreviation is None:
                    raise DwarfFault(f"an abbreviation of number 0 in several bytes at offset {at:#x}")
            if abbreviation.children:
                depth += 1
            at = at + abbreviation.size if abbreviation.size >= 0 else abbreviation.end(joined, at)
        self.walked(steps)
        return at

    def reference(
        self, unit: Unit, abbreviation: Abbreviation, values: dict[int, FormValue], attribute: int
    ) -> int | None:
        """The offset of the entry that an attribute refers to; None if the attribute is not there."""
        value = values.get(attribute)
        if value is None:
            return None
        form = abbreviation.forms.get(attribute)
        if not isinstance(value, int):
            raise DwarfFault(f"a reference near offset {unit.start:#x} in a form that is none ({form:#x})")
        if form in UNIT_RELATIVE:
            return unit.start + value
        if form == Form.REF_ADDR:
            return unit.file + value
        if form == Form.REF_SIG8:
            found = self._signatures.get(value)
            if found is None:
                raise DwarfFault(f"a type of signature {value:#018x} that the file does not hold")
            return found
        raise DwarfFault("a reference into a supplementary file, which gemel does not read")

    def name_key(self, place: DieOffset) -> NameKey | None:
        """The name of an entry as it is written; None if it has none."""
        abbreviation = place.abbreviation
        at = abbreviation.name_at
        if at >= 0 and abbreviation.name_form == Form.STRP and place.unit.sizes.offset == 4:
            start = place.attributes + at
            return place.unit.strings + int.from_bytes(self.joined[start : start + 4], "little")
        return self.text_key(place, At.NAME)

    def text_key(self, place: DieOffset, attribute: int) -> NameKey | None:
        """A text that an attribute of an entry holds, as it is written; None if there is none."""
        return self._key_in(self.read(place), attribute) if attribute in place.abbreviation.forms else None

    def _key_in(self, attributes: Attributes, attribute: int) -> NameKey | None:
        place = attributes.place
        form = place.abbreviation.forms.get(attribute)
        value = attributes.values.get(attribute)
        if isinstance(value, bytes) and form == Form.STRX3:
            value = int.from_bytes(value, "little")
        if value is None or isinstance(value, bytes):
            return value
        if form in STRING_INDEXES:
            return self._string_offset(place.unit, value)
        if form == Form.LINE_STRP:
            return -1 - value
        if form == Form.STRP:
            return place.unit.strings + value
        raise DwarfFault("a name in a form that is no text, or that is in another file")

    def _string_offset(self, unit: Unit, index: int) -> int:
        size = unit.sizes.offset
        start = unit.string_offsets + index * size
        field = self._data.string_offsets[start : start + size]
        if len(field) < size:
            raise DwarfFault(f"text number {index} of the unit at offset {unit.start:#x} is not in the table")
        return unit.strings + int.from_bytes(field, "little")

    def text(self, key: NameKey | None) -> str:
        """The name that a key stands for; empty for None."""
        if key is None:
            return ""
        if isinstance(key, bytes):
            return key[:MAX_NAME].decode("utf-8", "replace")
        table, at = (self._data.strings, key) if key >= 0 else (self._data.line_strings, -1 - key)
        end = table.find(b"\0", at, at + MAX_NAME + 1)
        if end < 0:
            raise DwarfFault(f"a name at offset {at:#x} of the texts, which has no end there")
        return table[at:end].decode("utf-8", "replace")

    def name(self, place: DieOffset) -> str:
        """The name of an entry; empty if it has none."""
        return self.text(self.name_key(place))

    def name_in(self, attributes: Attributes) -> str:
        """The same of an entry whose attributes were read."""
        return self.text_in(attributes, At.NAME)

    def text_in(self, attributes: Attributes, attribute: int) -> str:
        """The text that an attribute of an entry holds; empty if there is none."""
        return self.text(self._key_in(attributes, attribute))

    def keys_of(self, name: str) -> list[NameKey]:
        """Every way in which ``name`` can be written: tails of longer texts too, which linkers share."""
        raw = name.encode("utf-8", "surrogatepass")
        keys: list[NameKey] = [raw]
        for table, sign in ((self._data.strings, 1), (self._data.line_strings, -1)):
            keys += [at if sign > 0 else -1 - at for at in offsets_of(raw + b"\0", table)]
        return keys
