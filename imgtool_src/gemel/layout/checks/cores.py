"""What a layout says of its cores: one primary, what their architecture can have, RAM of their own, release."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.layout.kinds import KeyPath, LayoutFault
from gemel.layout.model import Core, Layout, Release
from gemel.m_profile.architectures import EXTENSIONS_OF, MAX_INTERRUPTS_ARMV6_M
from gemel.spans import format_address, is_power_of_two


def core_faults(layout: Layout) -> Iterator[LayoutFault]:
    """What is wrong with the cores, each and together."""
    primaries = [core.name for core in layout.cores.values() if core.role == "primary"]
    if len(primaries) != 1:
        path: KeyPath = ("core", primaries[1], "role") if primaries else ("core",)
        found = ", ".join(primaries) or "none"
        yield LayoutFault(
            path,
            "a device has one primary core",
            found=found,
            expected='one core with role = "primary"',
            next_step=f'set role = "secondary" in all but one of {found}' if primaries[1:] else "",
        )
    for core in layout.cores.values():
        yield from _architecture(core)
        if len(primaries) == 1:
            yield from _start(core)
        if core.release:
            yield from _release(layout, ("core", core.name, "release"), core.release)
    yield from _own_ram(layout)


def _architecture(core: Core) -> Iterator[LayoutFault]:
    path: KeyPath = ("core", core.name)
    possible = EXTENSIONS_OF[core.architecture]
    for index, extension in enumerate(core.extensions):
        if extension not in possible:
            what = f"an extension that {core.architecture} does not have"
            yield LayoutFault(
                (*path, "extensions", index), what, found=extension, expected=f"any of {', '.join(possible)}"
            )
    if core.architecture == "armv6-m" and core.interrupts > MAX_INTERRUPTS_ARMV6_M:
        yield LayoutFault(
            (*path, "interrupts"),
            "more interrupts than armv6-m has",
            found=str(core.interrupts),
            expected=f"at most {MAX_INTERRUPTS_ARMV6_M}",
            next_step="correct interrupts, or the architecture",
        )
    if core.vector_alignment and not is_power_of_two(core.vector_alignment):
        yield LayoutFault(
            (*path, "vector_alignment"),
            "alignment is not a power of two",
            found=str(core.vector_alignment),
            expected="128, 256, 512 and so on",
        )


def _start(core: Core) -> Iterator[LayoutFault]:
    path: KeyPath = ("core", core.name)
    if core.role == "primary" and core.release:
        yield LayoutFault(
            (*path, "release"),
            "the primary starts at reset",
            found="a release",
            expected="none",
            next_step="move the table to the secondary, or correct the role",
        )
    if core.role == "secondary" and core.reset_vectors is not None:
        yield LayoutFault(
            (*path, "reset_vectors"),
            "a secondary does not start at reset",
            found=format_address(core.reset_vectors),
            expected="none",
            next_step="its vectors come from the build: see vector_offset",
        )


def _release(layout: Layout, path: KeyPath, release: Release) -> Iterator[LayoutFault]:
    pairs = (
        ("release_value", release.release_value, release.release_mask),
        ("key_value", release.key_value, release.key_mask),
    )
    for key, value, mask in pairs:
        if value & ~mask:
            yield LayoutFault(
                (*path, key),
                "value outside its mask",
                found=format_address(value),
                expected=f"only bits of the mask {format_address(mask)}",
                next_step="add the bits to the mask, or take them out of the value",
            )
    if not release.release_mask:
        yield LayoutFault(
            (*path, "release_mask"),
            "a mask without bits",
            found="0",
            expected="the bits that let the core run",
        )
    if release.release_mask & release.key_mask and release.key_mask:
        yield LayoutFault(
            (*path, "key_mask"),
            "bits that are release and key at once",
            found=f"{format_address(release.release_mask & release.key_mask)} in both masks",
            expected="separate masks",
        )
    for key in ("vector_register", "control_register"):
        address = getattr(release, key)
        for memory in layout.memories.values():
            if memory.kind != "device" and memory.span.holds(address):
                yield LayoutFault(
                    (*path, key),
                    "a register outside device registers",
                    found=f"{format_address(address)}, in {memory.words}",
                    expected="a device address",
                    next_step="correct the address, or the kind of the memory",
                )


def _own_ram(layout: Layout) -> Iterator[LayoutFault]:
    owners: dict[str, str] = {}
    for core in layout.cores.values():
        for index, area in enumerate(core.ram):
            path: KeyPath = ("core", core.name, "ram", index)
            memory, purpose = layout.memory_of(area), layout.areas[area].purpose
            if memory.kind != "ram":
                yield LayoutFault(
                    path,
                    "not RAM",
                    found=f"{area}, in {memory.words}",
                    expected="an area of a ram memory",
                    next_step="name an area of RAM: flash belongs to a core by its builds",
                )
            elif purpose not in ("code", "data"):
                yield LayoutFault(
                    path,
                    "an area that no core owns",
                    found=f"{area}, purpose {purpose}",
                    expected="an area of purpose data or code",
                    next_step="shared areas belong to no core" if purpose == "shared" else "",
                )
            if area in owners:
                yield LayoutFault(
                    path,
                    f"area already owned by core {owners[area]}",
                    found=area,
                    expected="each area once",
                    next_step="give what both use purpose shared",
                )
            owners.setdefault(area, core.name)


def contract_faults(layout: Layout) -> Iterator[LayoutFault]:
    """What is wrong with what the cores agree on: the area must be shared, the constant the primary's."""
    for contract in layout.contracts.values():
        path: KeyPath = ("contract", contract.name)
        area = layout.areas[contract.area]
        if area.purpose != "shared":
            yield LayoutFault(
                (*path, "area"),
                "a contract is about shared RAM",
                found=f"{area.name}, purpose {area.purpose}",
                expected="an area of purpose shared",
                next_step="name a shared area, or correct the purpose of this one",
            )
        for name in ("symbols", "types", "constants"):
            yield from _named_twice((*path, name), getattr(contract, name))
        if contract.follow_pointers and not contract.types:
            what, expected = "pointers of no types cannot be followed", "types, or no follow_pointers"
            yield LayoutFault(
                (*path, "follow_pointers"), what, found="a contract without types", expected=expected
            )
        if contract.boot_symbol:
            build = layout.builds[contract.boot_symbol.build]
            if layout.cores[build.core].role != "primary":
                yield LayoutFault(
                    (*path, "boot_symbol", "build"),
                    "the primary starts the secondary",
                    found=f"{build.name} of core {build.core}",
                    expected="a build of the primary",
                    next_step="name the build that writes the address to the vector register",
                )


def _named_twice(path: KeyPath, names: tuple[str, ...]) -> Iterator[LayoutFault]:
    seen: set[str] = set()
    for index, name in enumerate(names):
        if name in seen:
            yield LayoutFault(
                (*path, index), "named twice in this contract", found=name, expected="each name once"
            )
        seen.add(name)
