"""Rule ``release-registers-in-device``: what releases a secondary is a word of device registers."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import concerned
from gemel.layout.addresses import locate
from gemel.layout.model import Core, Memory
from gemel.m_profile.bit_band import of_bit_band_alias
from gemel.outcomes import Finding, Holds, Need, NotChecked, Outcome, Reason
from gemel.spans import Span, format_address


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each register of each secondary's release."""
    layout = inspection.layout
    devices = [memory for memory in layout.memories.values() if memory.kind == "device"]
    for core in layout.secondaries():
        if core.release is None:
            yield NotChecked(
                f"core {core.name}",
                Reason(
                    "the layout does not say how it is released", Need("layout", f"core.{core.name}.release")
                ),
            )
            continue
        if not devices:
            missing = Reason("the layout declares no memory of kind device", Need("layout", "memory"))
            yield NotChecked(f"core {core.name}", missing)
            continue
        for key, register in (
            ("vector_register", core.release.vector_register),
            ("control_register", core.release.control_register),
        ):
            yield _outcome(inspection, core, key, register, devices)


def _outcome(inspection: Inspection, core: Core, key: str, register: int, devices: list[Memory]) -> Outcome:
    layout = inspection.layout
    primary = layout.primary().name
    word = Span(register, 4)
    seen = of_bit_band_alias(layout.primary().architecture, word) or word
    first, last = (locate(layout, address, primary) for address in (seen.start, seen.last))
    inside = bool(first and last and first.memory is last.memory and first.memory.kind == "device")
    if inside and register % 4 == 0:
        return Holds(f"{key} of core {core.name}")
    wrong = "is no device register" if not inside else "is no whole word"
    found = f"in {first.memory.words}" if first else f"in no memory that core {primary} sees"
    names = ", ".join(f"{memory.name} {memory.span}" for memory in devices)
    return Finding(
        f"the {key} of core {core.name} {wrong}",
        concerned(core.name, primary, first.memory.name if first else ""),
        where=inspection.read.at(("core", core.name, "release", key)),
        found=f"{format_address(register)}, {found}",
        expected=f"a multiple of 4 in a memory of kind device: {names}",
        span=Span(register, 4),
    )


RULE = Rule(
    name="release-registers-in-device",
    severity="warning",
    guards="device",
    checks="The two registers by which the primary releases each secondary are whole words inside a memory "
    "of kind device, as the primary sees it.",
    why="A register that the layout has outside all device registers is a mistake in the layout or in the list of "
    "memories. Everything that follows from it, the header for both teams and the rehearsal, then relies on a "
    "write to an address where the device has no register.",
    remedy="Take both addresses from the data sheet, and describe their peripheral as a memory of kind "
    "device.",
    source="common practice",
    absent="the layout has no secondary core",
    check=check,
)
