"""Reading a CMSIS-SVD file: the registers of a device with their names, addresses and reset values.

Format: CMSIS-SVD 1.3, Arm (elements device, peripherals, cluster, register, field; attribute derivedFrom;
dimElementGroup; registerPropertiesGroup; access, modifiedWriteValues and readAction).  A file with a document type is
refused, so that nothing in it can be an entity.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING
from xml.etree.ElementTree import Element, TreeBuilder

from gemel.spans import Span
from gemel.structs import NamedTuple

if TYPE_CHECKING:
    from xml.parsers.expat import XMLParserType

MAX_BYTES, MAX_DEPTH, MAX_REGISTERS, MAX_INDEXES = 64 << 20, 32, 200_000, 4096
"""Bytes of a file, elements or peripherals on top of each other, registers and clusters, elements of an array."""

TOP = 1 << 32
_INHERITED = ("size", "access", "resetValue")
_EFFECTS = ("modifiedWriteValues", "readAction")
_SCALES = {"": 1, "k": 1 << 10, "m": 1 << 20, "g": 1 << 30, "t": 1 << 40}


class NotSvd(ValueError):
    """The file is no CMSIS-SVD file, or one that is too large; the text says why."""


class Register(NamedTuple):
    """A register: its name with its peripheral's, plain address, bits, reset value, and whether code reads it.

    ``kept`` are the bits that read what code writes, ``changed`` those that a write changes in another way (a one that
    clears a bit), ``after_read`` what it reads once it was read; None where a read changes it in no way that is known.
    """

    name: str
    address: int
    size: int
    reset: int
    readable: bool
    kept: int
    changed: int
    after_read: int | None


class Peripheral(NamedTuple):
    """A peripheral with the addresses that it takes."""

    name: str
    span: Span
    registers: tuple[Register, ...]


def read_svd(data: bytes) -> tuple[Peripheral, ...]:
    """The peripherals in the order of the file; raises NotSvd."""
    root = _parsed(data)
    if root.tag != "device":
        raise NotSvd(f"its outermost element is {root.tag!r:.40}, not 'device'")
    elements = {_text(each, "name"): each for each in root.findall("peripherals/peripheral")}
    if not elements:
        raise NotSvd("it has no peripherals")
    reader = _Reader(elements)
    defaults = _properties(root, {"size": "32", "access": "read-write", "resetValue": "0"})
    return tuple(made for each in elements.values() for made in reader.peripherals(each, defaults))


def _parsed(data: bytes) -> Element:
    from xml.parsers import expat

    if len(data) > MAX_BYTES:
        raise NotSvd(f"it is larger than {MAX_BYTES:,} bytes")
    builder, depth = TreeBuilder(), 0
    parser: XMLParserType = expat.ParserCreate()
    parser.buffer_text = True

    def start(name: str, attributes: dict[str, str]) -> None:
        nonlocal depth
        depth += 1
        if depth > MAX_DEPTH:
            raise NotSvd(f"its elements are nested more than {MAX_DEPTH} deep")
        builder.start(name, attributes)

    def end(name: str) -> None:
        nonlocal depth
        depth -= 1
        builder.end(name)

    def refuse(*parts: object) -> None:
        raise NotSvd("it declares a document type, which no SVD file has")

    parser.StartElementHandler, parser.EndElementHandler = start, end
    parser.CharacterDataHandler = builder.data
    parser.StartDoctypeDeclHandler = refuse
    try:
        parser.Parse(data, True)
    except expat.ExpatError as error:
        raise NotSvd(f"it is no XML: {error}") from error
    except (ValueError, LookupError) as error:
        raise error if isinstance(error, NotSvd) else NotSvd(f"it is no XML: {error}") from error
    return builder.close()


class _Reader:
    """The registers of all peripherals, each read once where the file defines it, and copied from there."""

    def __init__(self, elements: Mapping[str, Element]) -> None:
        self._elements = elements
        self._count = 0
        self._read: dict[tuple[Element, tuple[str, ...]], list[Register]] = {}

    def peripherals(self, element: Element, defaults: Mapping[str, str]) -> Iterator[Peripheral]:
        """The peripheral of an element, or each of an array."""
        lines = self._lineage(element)
        properties = dict(defaults)
        blocks: list[Element] = []
        for each in lines:
            properties = _properties(each, properties)
            blocks = each.findall("addressBlock") or blocks
        for name, base in _copies(element):
            yield self._peripheral(name, base, lines, blocks, properties)

    def _peripheral(
        self, name: str, base: int, lines: list[Element], blocks: list[Element], properties: Mapping[str, str]
    ) -> Peripheral:
        found: dict[str, Register] = {}
        for each in lines:
            scope = each.find("registers")
            for register in self._copied(scope, name, base, properties) if scope is not None else ():
                found[register.name] = register
        last = max(found.values(), key=lambda each: each.address, default=None)
        if last and last.address + 8 > TOP:
            raise NotSvd(f"register {last.name!r:.60} has {last.size} bits at {last.address:#x}")
        ends = [_number(_text(each, "offset")) + _number(_text(each, "size")) for each in blocks]
        end = max([base + each for each in ends] + [each.address + 4 for each in found.values()] + [base + 4])
        if end > TOP or base >= TOP:
            raise NotSvd(f"peripheral {name!r:.60} reaches beyond the 32-bit address space")
        return Peripheral(name, Span.from_bounds(base, end), tuple(found.values()))

    def _lineage(self, element: Element) -> list[Element]:
        """What a peripheral is derived from, the first ancestor first, then itself."""
        lines = [element]
        while (parent := lines[0].get("derivedFrom")) is not None:
            if parent not in self._elements or len(lines) == MAX_DEPTH:
                reason = "does not exist" if parent not in self._elements else "is derived in a circle"
                raise NotSvd(f"a peripheral is derived from {parent!r:.60}, which {reason}")
            lines.insert(0, self._elements[parent])
        return lines

    def _copied(
        self, scope: Element, prefix: str, base: int, defaults: Mapping[str, str]
    ) -> Iterator[Register]:
        """The registers of a scope at ``base``, ``prefix`` before their names."""
        known = (scope, tuple(defaults.values()))
        if known in self._read:
            self._count_more(len(self._read[known]))
        else:
            self._read[known] = list(self._registers(scope, defaults))
        for each in self._read[known]:
            yield each._replace(name=f"{prefix}_{each.name}", address=base + each.address)

    def _registers(self, scope: Element, defaults: Mapping[str, str]) -> Iterator[Register]:
        """The registers of a scope, with names and addresses from its own on."""
        siblings = {_text(each, "name"): each for each in scope if each.tag in ("register", "cluster")}
        for element in siblings.values():
            properties, lines = dict(defaults), [element]
            parent = (element.get("derivedFrom") or "").rpartition(".")[2]
            if parent and (siblings.get(parent) is None or siblings[parent] is element):
                raise NotSvd(f"a register is derived from {parent!r:.60}, which is not next to it")
            if parent:
                lines.insert(0, siblings[parent])
            for each in lines:
                properties = _properties(each, properties)
            content = () if element.tag == "cluster" else _content(lines, properties)
            for name, offset in _copies(element):
                self._count_more(1)
                if content:
                    yield Register(name, offset, *content)
                else:
                    for each in lines:
                        yield from self._copied(each, name, offset, properties)

    def _count_more(self, registers: int) -> None:
        self._count += registers
        if self._count > MAX_REGISTERS:
            raise NotSvd(f"it has more than {MAX_REGISTERS:,} registers")


def _content(
    lines: list[Element], properties: Mapping[str, str]
) -> tuple[int, int, bool, int, int, int | None]:
    """What is said of a register in ``lines`` (what it is derived from, then itself): ``Register`` from its size on.

    What a field does not say of itself its register says; bits without a field are as the register.
    """
    size = _number(properties["size"])
    if not 1 <= size <= 64:
        raise NotSvd(f"register {_text(lines[-1], 'name')!r:.60} has {size} bits")
    every = (1 << size) - 1
    reset = _number(properties["resetValue"]) & every
    inherited = {name: _last(lines, name) for name in _EFFECTS} | {"access": properties["access"]}
    parts = [(every, inherited)]
    fields = {_text(each, "name", "none"): each for line in lines for each in line.findall("fields/field")}
    for field in fields.values():
        parent = fields.get((field.get("derivedFrom") or "").rpartition(".")[2])
        of_field = [field] if parent is None or parent is field else [parent, field]
        said = {name: _last(of_field, name) or inherited[name] for name in ("access", *_EFFECTS)}
        bits = _bits(of_field) & every
        parts = [*((mask & ~bits, effects) for mask, effects in parts if mask & ~bits), (bits, said)]
    readable = kept = changed = 0
    after_read: int | None = reset
    for bits, said in parts:
        if not bits:
            continue
        access, by_write, by_read = said["access"], said["modifiedWriteValues"], said["readAction"]
        plain = by_write in ("", "modify")
        readable |= bits if "read" in access else 0
        kept |= bits if "read" in access and access != "read-only" and plain else 0
        changed |= bits if access != "read-only" and not plain else 0
        if by_read and after_read is not None:
            after_read = {"clear": after_read & ~bits, "set": after_read | bits}.get(by_read)
    return size, reset, bool(readable), kept, changed, after_read


def _last(lines: list[Element], name: str) -> str:
    """What the last of these elements says that says anything."""
    return next((found for each in reversed(lines) if (found := _text(each, name, ""))), "")


def _bits(lines: list[Element]) -> int:
    """The bits of a field, or of all fields of an array; none where it says no place in a register."""
    first, last = _last(lines, "lsb"), _last(lines, "msb")
    if whole := re.fullmatch(r"\[(\d{1,2}):(\d{1,2})\]", _last(lines, "bitRange")):
        last, first = whole.groups()
    start = _number(first or _last(lines, "bitOffset") or "0")
    width = _number(last) - start + 1 if last else _number(_last(lines, "bitWidth") or "1")
    count, step = _number(_last(lines, "dim") or "1"), _number(_last(lines, "dimIncrement") or "0")
    if not (0 < width <= 64 and start < 64 and count <= 64):
        return 0
    mask = 0
    for at in range(count):
        mask |= (1 << width) - 1 << min(start + at * step, 64)
    return mask


def _properties(element: Element, defaults: Mapping[str, str]) -> dict[str, str]:
    given = {name: _text(element, name, "") for name in _INHERITED}
    return {name: given[name] or defaults[name] for name in _INHERITED}


def _copies(element: Element) -> Iterator[tuple[str, int]]:
    """Each element of an array of peripherals, registers or clusters: its name and offset; one for what is no array."""
    at = "baseAddress" if element.tag == "peripheral" else "addressOffset"
    name, offset = _text(element, "name"), _number(_text(element, at))
    count = _number(_text(element, "dim", "0"))
    if not count:
        yield name, offset
        return
    if count > MAX_INDEXES:
        raise NotSvd(f"array {name!r:.60} has {count:,} elements")
    step = _number(_text(element, "dimIncrement"))
    for position, index in zip(range(count), _indexes(_text(element, "dimIndex", ""), count), strict=True):
        yield name.replace("[%s]", index).replace("%s", index), offset + position * step


def _indexes(text: str, count: int) -> list[str]:
    bounds = re.fullmatch(r"(\d{1,9})-(\d{1,9})|([A-Z])-([A-Z])", text)
    if bounds and bounds[1]:
        found = [str(each) for each in range(int(bounds[1]), min(int(bounds[2]), int(bounds[1]) + count) + 1)]
    elif bounds:
        found = [chr(each) for each in range(ord(bounds[3]), ord(bounds[4]) + 1)]
    else:
        found = [each.strip() for each in text.split(",")] if text else []
    return found if len(found) == count else [str(each) for each in range(count)]


def _text(element: Element, name: str, default: str | None = None) -> str:
    found = (element.findtext(name) or "").strip()
    if not found and default is None:
        raise NotSvd(f"a {element.tag} has no {name}")
    return found or default or ""


def _number(text: str) -> int:
    """A number as the format writes it: decimal, 0x, or # with binary digits (x: any), with k, m, g or t."""
    match = re.fullmatch(
        r"\+?(?:0[xX]([0-9a-fA-F]{1,16})|(?:#|0[bB])([01xX]{1,64})|(\d{1,20}))([kmgtKMGT]?)", text
    )
    if match is None:
        raise NotSvd(f"{text!r:.40} is no number")
    hexadecimal, binary, decimal, scale = match.groups()
    digits, base = (hexadecimal, 16) if hexadecimal else (decimal, 10)
    if binary:
        digits, base = re.sub("[xX]", "0", binary), 2
    return int(digits, base) * _SCALES[scale.lower()]
