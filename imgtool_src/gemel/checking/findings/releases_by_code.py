"""What the primary's code writes to release a secondary, and whether that is what the layout says."""

from __future__ import annotations

import struct
from collections.abc import Collection, Iterator
from typing import TYPE_CHECKING

from gemel.inspection.cores.code_settings import CoreCode, chosen_stores, core_code
from gemel.inspection.cores.vector_tables import address_in, addresses_of_table
from gemel.inspection.inspection import Inspection, once
from gemel.inspection.instead_of_tables import vector_builds
from gemel.inspection.wording import concerned, copied_elsewhere, counted, lines_in_short
from gemel.layout.addresses import locate
from gemel.layout.model import Core, Release
from gemel.m_profile.code.known_registers import KnownStore
from gemel.m_profile.vector_tables import MIN_ALIGNMENT
from gemel.outcomes import Finding, Holds, NotChecked, Outcome
from gemel.placement.placed import PlacedBuild
from gemel.placement.placing import forgotten_run_area
from gemel.spans import Span, format_address
from gemel.structs import replace

if TYPE_CHECKING:
    from gemel.inspection.code.core_settings import Setting


_UNREAD = ("start-copies-stored-data", "initialised-data-copied", "addressed-constants-stored")
"""Rules whose finding is why code reads another address than its source has."""


@once
def judged_releases(inspection: Inspection) -> list[tuple[Outcome, bool]]:
    """One outcome for each register of a secondary's release that code writes constants to, and if it is certain.

    A finding is certain where start-up code as it runs does so at every start: an error then, else a warning.
    """
    return list(_judged(inspection))


def _judged(inspection: Inspection) -> Iterator[tuple[Outcome, bool]]:
    layout = inspection.layout
    secondaries = [core for core in layout.secondaries() if core.release]
    if not secondaries:
        return
    primary = layout.primary().name
    codes = [each for each in core_code(inspection) if _core_of(inspection, each) == primary]
    read = [each for each in codes if not isinstance(each, NotChecked)]
    yield from ((each, False) for each in codes if isinstance(each, NotChecked))
    all_read = len(read) == len(codes)
    yield from (
        (each, is_certain and all_read)
        for code in read
        for core in secondaries
        for each, is_certain in _outcomes(inspection, read, code, core)
    )
    if all_read:
        yield from (
            (_unwritten(inspection, read, core, core.release, use), False)
            for core in secondaries
            if core.release
            for use in ("control", "vector")
            if not any(code.of(_register(core.release, use)) for code in read)
            and (use == "control" or any(code.of(core.release.control_register) for code in read))
        )


def _core_of(inspection: Inspection, code: CoreCode | NotChecked) -> str:
    name = code.where.removeprefix("build ") if isinstance(code, NotChecked) else code.plan.name
    return inspection.layout.builds[name].core


def _register(release: Release, use: str) -> int:
    return release.control_register if use == "control" else release.vector_register


def _unwritten(
    inspection: Inspection, codes: list[CoreCode], core: Core, release: Release, use: str
) -> Finding | NotChecked:
    """No code is known to write the register; whether any may is not known of code of a ROM, or not followed."""
    from gemel.inspection.code.core_settings import why_may_write

    register = _register(release, use)
    reason = next((reason for code in codes if (reason := why_may_write(code.build, register))), "")
    if any(memory.kind == "rom" for memory in inspection.layout.memories.values()):
        reason = "code of the ROM, which the layout does not hold, may write the " + f"{use} register"
    if reason:
        return NotChecked(f"core {core.name}", reason)
    # A constant that nothing uses is dropped at link.
    dropped = inspection.layout.contracts if use == "vector" else ()
    causes = tuple(("boot-constant-agrees", f"contract {name}, boot_symbol") for name in dropped)
    return _never(codes, core, release, use, causes)


def _never(
    codes: list[CoreCode], core: Core, release: Release, use: str, causes: tuple[tuple[str, str], ...]
) -> Finding:
    names = [code.plan.name for code in codes]
    register = format_address(_register(release, use))
    what, when = "the address of the vectors", "before the release"
    if use == "control":
        what = f"{format_address(release.release_value)} in the bits {format_address(release.release_mask)}"
        when = f"once the vectors of core {core.name} are set"
    return Finding(
        f"no code of build {' or '.join(names)} writes the {use} register of core {core.name}",
        concerned(*names, codes[0].plan.core, core.name),
        where=f"core {core.name}, {use} register {register}",
        found="no store there, and none to an address that is computed in a way which may lead there",
        expected=f"a store to {register} of {what}",
        next_step=f"write {register} {when}, or correct {use}_register in the layout",
        follows_from=(("release-registers-in-device", core.name), *causes),
    )


def _outcomes(
    inspection: Inspection, codes: list[CoreCode], code: CoreCode, core: Core
) -> Iterator[tuple[Outcome, bool]]:
    from gemel.inspection.cores.certain_releases import (
        cannot_start,
        is_released_in_run,
        is_released_in_run_alone,
        not_copied,
    )

    release = core.release
    if release is None:
        return
    stores, vectors = code.of(release.control_register), code.of(release.vector_register)
    tables = list(_tables(inspection, core))
    others = [each for each in inspection.layout.secondaries() if each is not core]
    of_others = {at for other in others for at in _tables(inspection, other)}
    known = {*tables, *_named_constants(inspection, code)} - (of_others - {*tables})
    if _crossed(release, known, stores, vectors):
        yield _other_way_round(code, core, release, stores[0]), False
        return
    in_run = is_released_in_run(inspection, code, release)
    in_run_alone = in_run and is_released_in_run_alone(inspection, codes, release)
    if any(_may_release(release, each.store) for each in stores):
        yield Holds(f"core {core.name}, by build {code.plan.name}"), False
    elif stores and not any(
        _may_release(release, each.store) for other in codes for each in other.of(release.control_register)
    ):
        yield _finding(code, core, release, stores), in_run_alone
    if early := _released_early(inspection, code, core, release):
        yield early, in_run_alone
    elif in_run_alone and (build := not_copied(inspection, code, core, release)):
        yield _released_uncopied(inspection, code, core, build), True
    if not vectors or not tables:
        return
    holds = _leads_to(release, vectors, known)
    if not holds:
        chosen = chosen_stores(inspection, code.plan.name, release.vector_register)
        vectors = [code.setting(store) for store in chosen] if chosen else vectors
        holds = chosen is None or _leads_to(release, vectors, {None, *known})
    if holds:
        yield Holds(f"vectors of core {core.name}, by build {code.plan.name}"), False
    else:
        given = {address_in(release, each.store.value) or 0 for each in vectors}
        yield (
            _other_table(inspection, code, core, release, vectors, tables),
            in_run and all(cannot_start(inspection, core, value) for value in given),
        )


def _leads_to(release: Release, vectors: list[Setting], known: Collection[int | None]) -> bool:
    """Whether one of the stores has a value that is known to be right; None among these is one that is not known."""
    return any(address_in(release, each.store.value) in known for each in vectors)


def _released_early(inspection: Inspection, code: CoreCode, core: Core, release: Release) -> Finding | None:
    """A run of the start-up code that writes the vector register only after all that may release the core."""
    run = inspection.start_runs.get(code.plan.name)
    stores = list(run.stores) if run else []
    registers = [each.target for each in stores]
    if run is None or run.why_not or not {release.control_register, release.vector_register} <= {*registers}:
        return None
    first = registers.index(release.vector_register)
    changes = {each.store.at: each.store for each in code.of(release.control_register)}
    releases = [each for each in stores if each.target == release.control_register]
    if release.control_register in registers[first:] or not any(
        _does_release(release, changes.get(each.at, each)) for each in releases
    ):
        return None
    setting, later = code.setting(releases[-1]), code.setting(stores[first])
    return Finding(
        f"build {code.plan.name} releases core {core.name} before it gives it its vectors",
        concerned(code.plan.name, code.plan.core, core.name),
        where=f"build {code.plan.name} ({code.build.file}), store to {format_address(release.control_register)} at "
        f"{setting.place}",
        found=f"the first store to {format_address(release.vector_register)} after it, at {later.place}",
        expected="the vector register written first",
        span=Span(setting.store.at, 4),
        next_step=f"write {format_address(release.vector_register)} before {format_address(release.control_register)}",
    )


def _released_uncopied(inspection: Inspection, code: CoreCode, core: Core, build: PlacedBuild) -> Finding:
    run, release = inspection.start_runs[code.plan.name], core.release
    area, start = inspection.layout.builds[build.name].runs_in, build.vector_address
    later = any(span.holds(start) for _, span in (*run.copies, *run.later)) if run else False
    register = release.control_register if release else 0
    store = code.of(register)[-1]
    return Finding(
        f"build {code.plan.name} releases core {core.name} before build {build.name} is copied",
        concerned(code.plan.name, code.plan.core, core.name, build.name, area or ""),
        where=f"build {code.plan.name} ({code.build.file}), store to {format_address(register)} at {store.place}",
        found=f"nothing written at {format_address(start)} by then"
        + (", and a copy after it" if later else ""),
        expected=f"build {build.name} in area {area}",
        span=Span(store.store.at, 4),
        next_step=f"copy {build.stored} to {format_address(build.run_start)} before that store",
        follows_from=(
            ("copied-build-in-run-area", build.name),
            ("start-copies-stored-data", build.name),
            ("copy-constants-agree", build.name),
        ),
    )


def _crossed(release: Release, known: set[int], control: list[Setting], vectors: list[Setting]) -> bool:
    """Whether code writes the address of vectors to the one register and the value that releases to the other."""
    if release.control_register == release.vector_register:
        return False
    return any(each.store.value in known for each in control) and any(
        each.store.value is not None and _releases(release, each.store.value) for each in vectors
    )


def _other_way_round(code: CoreCode, core: Core, release: Release, first: Setting) -> Finding:
    plan, register = code.plan, format_address(release.control_register)
    return Finding(
        f"build {plan.name} writes the two registers that release core {core.name} the other way round",
        concerned(plan.name, plan.core, core.name),
        where=f"build {plan.name} ({code.build.file}), store to {register} at {first.place}",
        found=f"{format_address(first.store.value or 0)}, a vector table of core {core.name}, to the control register",
        expected=f"it at {format_address(release.vector_register)}, the vector register",
        span=Span(first.store.at, 4),
        next_step=f"swap vector_register and control_register in [core.{core.name}.release], or correct the code of "
        f"build {plan.name}",
    )


def _tables(inspection: Inspection, core: Core) -> Iterator[int]:
    """Where the core sees the vector tables of its builds, the first address of each."""
    for plan in vector_builds(inspection.layout):
        placed = inspection.placed.get(plan.name)
        if placed is not None and plan.core == core.name:
            yield from addresses_of_table(inspection.layout, plan, placed)


def _named_constants(inspection: Inspection, code: CoreCode) -> Iterator[int]:
    """The words of constants that contracts name for such an address: boot-constant-agrees checks them."""
    for contract in inspection.layout.contracts.values():
        named = contract.boot_symbol
        for symbol in code.build.symbols.named(named.symbol) if named and code.build.symbols else ():
            if named and named.build == code.plan.name and symbol.defined:
                data = code.build.read_at_run(symbol.address, symbol.size & -4) or b""
                yield from (word for (word,) in struct.iter_unpack("<I", data))


def _linked_for(inspection: Inspection, core: Core, store: Setting) -> list[str]:
    """The builds of a core that are linked for the address, in RAM, which the layout does not say."""
    return [
        plan.name
        for plan in vector_builds(inspection.layout)
        if plan.core == core.name and forgotten_run_area(inspection.layout, plan, store.store.value or 0)
    ]


def _step(inspection: Inspection, build: str, core: str, value: int) -> str:
    """What to do about ``value`` in the vector register; one in no area is for another register."""
    layout, code = inspection.layout, f"correct the address in the code of build {build}"
    located = locate(layout, value, core)
    if located is None or not any(layout.span_of(area).holds(located.plain) for area in layout.areas):
        return f"compare vector_register in [core.{core}.release] with the data sheet, or {code}"
    return f"{code}, or place the build of core {core} there"


def _other_table(
    inspection: Inspection,
    code: CoreCode,
    core: Core,
    release: Release,
    stores: list[Setting],
    tables: list[int],
) -> Finding:
    plan, first = code.plan, stores[0]
    lines = [f"{format_address(each.store.value or 0)} at {each.place}" for each in stores[1:]]
    value = address_in(release, first.store.value) or 0
    inside = [value - start for start in tables if 0 < value - start < MIN_ALIGNMENT]
    what, next_step = "that is not its vector table", _step(inspection, plan.name, core.name, value)
    if inside:
        what = f"{counted(inside[0], 'byte')} after the start of its vector table"
        next_step = (
            "write the address of the table itself: it is that of word 0, without a Thumb bit; if the register has "
            "flags in these bits, waive this rule"
        )
    return Finding(
        f"build {plan.name} gives core {core.name} an address {what}",
        concerned(plan.name, plan.core, core.name),
        where=f"build {plan.name} ({code.build.file}), store to {format_address(release.vector_register)} at "
        f"{first.place}",
        found=format_address(first.store.value or 0),
        expected=format_address(tables[0]),
        span=Span(first.store.at, 4),
        lines=lines_in_short(lines, "store"),
        next_step=next_step,
        follows_from=(
            *((rule, plan.name) for rule in _UNREAD),
            *_exchanged(inspection, code, core, value, tables),
            *(("reset-handler-in-code", name) for name in _linked_for(inspection, core, first)),
            *(
                cause
                for each in vector_builds(inspection.layout)
                if each.core == core.name
                for cause in (copied_elsewhere(each.name), ("vector-table-not-blank", each.name))
            ),
        ),
    )


def _exchanged(
    inspection: Inspection, code: CoreCode, core: Core, value: int, tables: list[int]
) -> Iterator[tuple[str, str]]:
    """The core before this one that is given this one's table, where this one is given its: one mistake."""
    for other in inspection.layout.secondaries():
        if other is core:
            return
        given = code.of(other.release.vector_register) if other.release else []
        if value in _tables(inspection, other) and any(each.store.value in tables for each in given):
            yield from ((rule, other.name) for rule in ("start-releases-secondary", "release-value-agrees"))


def _releases(release: Release, value: int) -> bool:
    fits = value & release.release_mask == release.release_value & release.release_mask
    return fits and value & release.key_mask == release.key_value & release.key_mask


def _may_release(release: Release, store: KnownStore) -> bool:
    """Whether a store writes the value, or may: one of which nothing is known, or that changes bits of the mask."""
    if store.value is not None:
        return _releases(release, store.value)
    changed = store.changed
    if changed is None or not changed.ones | changed.zeros:
        return True
    wrong = changed.ones & ~release.release_value | changed.zeros & release.release_value
    return bool((changed.ones | changed.zeros) & release.release_mask) and not wrong & release.release_mask


def _does_release(release: Release, store: KnownStore) -> bool:
    """Whether it is known that a store releases the core."""
    return _may_release(release, store) and (store.value is not None or store.changed is not None)


def _written(store: KnownStore, *masks: int) -> str:
    """What a store writes, for people, with what the bits of each mask are then."""
    if store.value is not None:
        bits = [f"the bits {format_address(mask)} are {format_address(store.value & mask)}" for mask in masks]
        return f"{format_address(store.value)}, of which {' and '.join(bits)}"
    ones, zeros = (store.changed.ones, store.changed.zeros) if store.changed else (0, 0)
    changes = [f"{format_address(bits)} {how}" for bits, how in ((ones, "set"), (zeros, "cleared")) if bits]
    return f"what it reads there with the bits {' and '.join(changes)}"


def _finding(code: CoreCode, core: Core, release: Release, stores: list[Setting]) -> Finding:
    plan, first = code.plan, stores[0]
    key = f", with {format_address(release.key_value)} in the bits {format_address(release.key_mask)}"
    masks = (release.release_mask, *([release.key_mask] if release.key_mask else []))
    lines = [f"{_written(each.store, *masks)} at {each.place}" for each in stores[1:]]
    unlocked = replace(release, key_mask=0)
    no_key = any(each.store.value is not None and _releases(unlocked, each.store.value) for each in stores)
    what = "the release of core {} without its key" if no_key else "no value that releases core {}"
    return Finding(
        f"build {plan.name} writes {what.format(core.name)}",
        concerned(plan.name, plan.core, core.name),
        where=f"build {plan.name} ({code.build.file}), store to {format_address(release.control_register)} at "
        f"{first.place}",
        found=_written(first.store, *masks),
        expected=f"{format_address(release.release_value)} in the bits {format_address(release.release_mask)}"
        + (key if release.key_mask else ""),
        span=Span(first.store.at, 4),
        lines=lines_in_short(lines, "store"),
    )
