"""What a layout says of its cores: one primary, what their architecture can have, RAM of their own, release.

Which extension goes with which architecture: the Armv6-M, Armv7-M and Armv8-M architecture reference
manuals (from memory), and the ``-march`` extensions of the compiler, which the tests ask.
"""

from __future__ import annotations

from collections.abc import Iterator

from gemel.layout.kinds import Fault, KeyPath
from gemel.layout.model import Core, Layout, Release
from gemel.spans import format_address, is_power_of_two

EXTENSIONS_OF: dict[str, tuple[str, ...]] = {
    "armv6-m": ("mpu",),
    "armv7-m": ("mpu",),
    "armv7e-m": ("fp", "fp-double", "dsp", "mpu"),
    "armv8-m.base": ("mpu", "security"),
    "armv8-m.main": ("fp", "fp-double", "dsp", "mpu", "security"),
    "armv8.1-m.main": ("fp", "fp-double", "dsp", "mve", "mve-fp", "mpu", "security"),
}
"""Extensions that a core of each architecture can have."""

MOST_INTERRUPTS_ARMV6_M = 32
"""External interrupts of an Armv6-M core at most (Armv6-M architecture reference manual, from memory)."""


def core_faults(layout: Layout) -> Iterator[Fault]:
    """What is wrong with the cores, each and together."""
    primaries = [core.name for core in layout.cores.values() if core.role == "primary"]
    if len(primaries) != 1:
        path: KeyPath = ("core", primaries[1], "role") if primaries else ("core",)
        found = ", ".join(primaries) or "none"
        yield Fault(path, "a device has one primary core", found, 'one core with role = "primary"')
    for core in layout.cores.values():
        yield from _architecture(core)
        yield from _start(core)
        if core.release:
            yield from _release(layout, ("core", core.name, "release"), core.release)
    yield from _own_ram(layout)


def _architecture(core: Core) -> Iterator[Fault]:
    path: KeyPath = ("core", core.name)
    possible = EXTENSIONS_OF[core.architecture]
    for index, extension in enumerate(core.extensions):
        if extension not in possible:
            what = f"an extension that {core.architecture} does not have"
            yield Fault((*path, "extensions", index), what, extension, f"any of {', '.join(possible)}")
    if core.architecture == "armv6-m" and core.interrupts > MOST_INTERRUPTS_ARMV6_M:
        expected = f"at most {MOST_INTERRUPTS_ARMV6_M}"
        yield Fault((*path, "interrupts"), "more interrupts than armv6-m has", str(core.interrupts), expected)
    if core.vector_alignment and not is_power_of_two(core.vector_alignment):
        found = str(core.vector_alignment)
        yield Fault(
            (*path, "vector_alignment"), "alignment is no power of two", found, "128, 256, 512 and so on"
        )


def _start(core: Core) -> Iterator[Fault]:
    path: KeyPath = ("core", core.name)
    if core.role == "primary" and core.release:
        yield Fault((*path, "release"), "the primary starts at reset", "a release", "none")
    if core.role == "secondary" and core.reset_vectors is not None:
        found = format_address(core.reset_vectors)
        hint = "its vectors come from the build: see vector_offset"
        yield Fault((*path, "reset_vectors"), "a secondary does not start at reset", found, "none", hint)


def _release(layout: Layout, path: KeyPath, release: Release) -> Iterator[Fault]:
    pairs = (
        ("release_value", release.release_value, release.release_mask),
        ("key_value", release.key_value, release.key_mask),
    )
    for key, value, mask in pairs:
        if value & ~mask:
            expected = f"only bits of the mask {format_address(mask)}"
            yield Fault((*path, key), "value outside its mask", format_address(value), expected)
    if not release.release_mask:
        yield Fault((*path, "release_mask"), "a mask without bits", "0", "the bits that let the core run")
    if release.release_mask & release.key_mask and release.key_mask:
        found = f"{format_address(release.release_mask & release.key_mask)} in both masks"
        yield Fault((*path, "key_mask"), "bits that are release and key at once", found, "masks apart")
    for key in ("vector_register", "control_register"):
        address = getattr(release, key)
        for memory in layout.memories.values():
            if memory.kind != "device" and memory.span.holds(address):
                found = f"{format_address(address)}, in {memory.words}"
                yield Fault((*path, key), "a register outside device registers", found, "a device address")


def _own_ram(layout: Layout) -> Iterator[Fault]:
    owners: dict[str, str] = {}
    for core in layout.cores.values():
        for index, area in enumerate(core.ram):
            path: KeyPath = ("core", core.name, "ram", index)
            memory, purpose = layout.memory_of(area), layout.areas[area].purpose
            if memory.kind != "ram":
                found = f"{area}, in {memory.words}"
                yield Fault(path, "not RAM", found, "an area of a ram memory")
            elif purpose not in ("code", "data"):
                hint = "shared areas belong to no core" if purpose == "shared" else ""
                expected = "an area of purpose data or code"
                yield Fault(path, "an area that no core owns", f"{area}, purpose {purpose}", expected, hint)
            if area in owners:
                what = f"area already owned by core {owners[area]}"
                yield Fault(path, what, area, "each area once", "give what both use purpose shared")
            owners.setdefault(area, core.name)


def contract_faults(layout: Layout) -> Iterator[Fault]:
    """What is wrong with what the cores agree on: the area must be shared, the constant the primary's."""
    for contract in layout.contracts.values():
        path: KeyPath = ("contract", contract.name)
        area = layout.areas[contract.area]
        if area.purpose != "shared":
            found = f"{area.name}, purpose {area.purpose}"
            yield Fault((*path, "area"), "a contract is about shared RAM", found, "an area of purpose shared")
        for name in ("symbols", "types", "constants"):
            yield from _named_twice((*path, name), getattr(contract, name))
        if contract.follow_pointers and not contract.types:
            what, expected = "pointers of no types cannot be followed", "types, or no follow_pointers"
            yield Fault((*path, "follow_pointers"), what, "a contract without types", expected)
        if contract.boot_symbol:
            build = layout.builds[contract.boot_symbol.build]
            if layout.cores[build.core].role != "primary":
                found = f"{build.name} of core {build.core}"
                yield Fault(
                    (*path, "boot_symbol", "build"),
                    "the primary starts the secondary",
                    found,
                    "a build of the primary",
                )


def _named_twice(path: KeyPath, names: tuple[str, ...]) -> Iterator[Fault]:
    seen: set[str] = set()
    for index, name in enumerate(names):
        if name in seen:
            yield Fault((*path, index), "named twice in this contract", name, "each name once")
        seen.add(name)
