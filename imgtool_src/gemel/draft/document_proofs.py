"""The contracts of a draft, and what proves an image: checksums, record and seal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gemel.builds.dwarf.fault import DebugUnreadable
from gemel.builds.dwarf.types import Alias, Array, Basic, Composite, Enumeration, Pointer
from gemel.draft.cores import BootConstant
from gemel.draft.drafting import Draft
from gemel.draft.evidence import Evidence, can_be_named
from gemel.draft.page import ASK, Page, listed
from gemel.draft.shared import Shared
from gemel.spans import format_address
from gemel.structs import NamedTuple
from gemel.text.escaping import toml_string

if TYPE_CHECKING:
    from gemel.builds.dwarf.debug_types import DebugTypes


MAX_TYPES = 16
"""Types of one contract that a draft names."""

MAX_LEVELS = 16
"""Arrays and names on top of each other, with the type below them, that are looked at."""


class ContractTypes(NamedTuple):
    """Types for a contract, each with the symbol that has it; ``reason`` says why there are none."""

    names: dict[str, str]
    reason: str = ""


def shared_types(shared: Shared, all_seen: list[Evidence]) -> ContractTypes:
    """The structures, unions and enumerations of shared symbols that two builds or more define.

    A name of a plain number, as ``uint32_t``, makes no type of a contract: the symbols' sizes agree or not.
    """
    builds: dict[str, DebugTypes] = {}
    unread = []
    for seen in all_seen:
        if seen.name in shared.builds and seen.build.debug is not None:
            try:
                builds[seen.name] = seen.build.debug.types()
            except DebugUnreadable as error:
                unread.append(f"{seen.file}: {error.reason}")
    if len(builds) < 2:
        return ContractTypes(
            {}, unread[0] if unread else "fewer than two of the builds have debug information"
        )
    found: dict[str, dict[str, str]] = {}
    for name, types in builds.items():
        for symbol in shared.symbols:
            if len(found) < MAX_TYPES and (spelling := _type_of(types, symbol)):
                found.setdefault(spelling, {})[name] = symbol
    known = {
        spelling: next(iter(by.values()))
        for spelling, by in found.items()
        if can_be_named(spelling) and sum(_defines(types, spelling) for types in builds.values()) > 1
    }
    return ContractTypes(known, "" if known else "no shared symbol is of a type that two builds define")


def _defines(types: DebugTypes, spelling: str) -> bool:
    try:
        return bool(types.named(spelling))
    except DebugUnreadable:
        return False


def _type_of(types: DebugTypes, symbol: str) -> str:
    """The name of a symbol's own type without arrays around it; empty for numbers, pointers and no name."""
    try:
        return next((named for each in types.variables(symbol) if (named := _named(types, each))), "")
    except DebugUnreadable:
        return ""


def _named(types: DebugTypes, reference: int | None) -> str:
    alias = ""
    for _ in range(MAX_LEVELS):
        if reference is None:
            return ""
        found = types.type_at(reference)
        if isinstance(found, Array):
            reference, alias = found.element, ""
        elif isinstance(found, Alias):
            alias = alias or found.name
            reference = found.target
        elif isinstance(found, Composite | Enumeration):
            kind = "enum" if isinstance(found, Enumeration) else found.kind
            return f"{kind} {found.name}" if found.name else alias
        elif isinstance(found, Basic | Pointer):
            return ""
        else:
            return ""
    return ""


VALUE_SIZE = 4
"""Bytes of a CRC-32."""


def write_contracts(page: Page, draft: Draft) -> None:
    """A contract for each shared area; the constant that holds the vector address in the first."""
    constants = [constant for constant in draft.primary.constants if constant.symbol]
    areas = [area for area in draft.places.areas if area.purpose == "shared"]
    for index, area in enumerate(areas):
        shared = next(each for each in draft.shared if each.span.overlaps(area.span))
        page.table(f"contract.{area.name}", f"what {listed(shared.builds)} must agree on")
        page.key("area", f'"{area.name}"')
        if shared.symbols:
            names = ", ".join(map(toml_string, shared.symbols[:32]))
            page.key("symbols", f"[{names}]", "both builds have these names at these addresses")
        _types(page, draft, shared)
        if constants and not index:
            _boot_symbol(page, constants)
    for name, places in list(draft.apart.items())[:8]:
        page.blank()
        words = listed([f"{format_address(at)} in {build}" for build, at in places.items()])
        page.remark(
            f"{ASK} is {name} one object? It is at {words}. If so, place it alike in both linker scripts and "
            "name it in the contract of a shared area; here each build has its own."
        )
    if constants and not areas:
        page.blank()
        words = "; ".join(_constant_words(constant) for constant in constants[:4])
        page.remark(f"No shared RAM was found. {words}: name it as boot_symbol of a contract.")


def _types(page: Page, draft: Draft, shared: Shared) -> None:
    """The types of the shared symbols, by their debug information; a question where there are none."""
    known = shared_types(shared, list(draft.seen))
    if not known.names:
        page.unset("types", '["struct NAME"]', f"which types are here that both compile? ({known.reason})")
        return
    names = ", ".join(map(toml_string, known.names))
    symbols = listed(dict.fromkeys(known.names.values()))
    page.key("types", f"[{names}]", f"the debug information of {symbols}")


def _boot_symbol(page: Page, constants: list[BootConstant]) -> None:
    first, *others = constants
    symbol = toml_string(first.symbol)
    page.remark(f"guessed from: {_constant_words(first)}")
    for other in others[:4]:
        page.remark(f"or it is another one: {_constant_words(other)}")
    page.key("boot_symbol", f'{{ build = "{first.holder}", symbol = {symbol} }}')


def _constant_words(constant: BootConstant) -> str:
    place = format_address(constant.run_address)
    return f"{constant.symbol} of {constant.holder} at {place} holds {constant.target}'s vector address"


def write_checksums(page: Page, draft: Draft) -> None:
    """A checksum over each build's area, to be taken in: what the device checks, no build shows."""
    free = next((area for area in draft.places.areas if area.name == "checksums" and not area.owner), None)
    page.blank()
    where = f"in area {free.name}" if free else "in the last word of each area"
    page.remark(
        f"Checksums {where}, if the device checks any; remove the #. "
        f"{ASK} which algorithm, over what, and where is it looked for?"
    )
    for index, area in enumerate(draft.stored_in(seen.name)[0] for seen in draft.seen):
        name = free.name if free else area.name
        offset = index * VALUE_SIZE if free else area.span.size - VALUE_SIZE
        place = f'{{ area = "{name}", offset = 0x{offset:X}'
        page.lines += [
            "#",
            "# [[checksum]]",
            f'# name = "{area.name[:19]}-crc"',
            '# algorithm = "CRC-32/ISO-HDLC"',
            f'# over = ["{area.name}"]',
            *([] if free else [f"# except = [{place}, size = {VALUE_SIZE} }}]"]),
            f"# at = {place} }}",
        ]


def write_record(page: Page, draft: Draft) -> None:
    """The record and the seal, where there is room for them."""
    named = {area.purpose for area in draft.places.areas}
    if "record" not in named:
        page.blank()
        page.remark("There is no room for the record after the builds; give it an area, then add [record].")
        return
    page.table("record", "says in the image what is in it; it is optional, and so is its area")
    area = next(area.name for area in draft.places.areas if area.purpose == "record")
    page.key("area", f'"{area}"')
    record = draft.recorded.record if draft.recorded else None
    for name, known, example, question in (
        (
            "vendor",
            record and record.vendor_id,
            '"example.com"',
            "whose product is it? a domain name or a UUID",
        ),
        ("class", record and record.class_id, '"name of the class"', "for which class of device is it?"),
    ):
        if known:
            page.key(name, f'"{known}"', "the image's record")
        elif not (name == "class" and record and record.vendor_id):
            page.unset(name, example, question)
    if "seal" in named:
        page.table("seal", "a signature over the record; it is optional, and so is its area")
        page.key("area", '"seal"')
        page.key("required", "false", f"{ASK} is an image without a seal refused?")
        page.unset("trust", '["release-pub.pem"]', "whose public keys count?")
