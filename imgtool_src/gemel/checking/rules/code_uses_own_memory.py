"""Rule ``code-uses-own-memory``: code branches to code of its own core, and stores to no RAM of another one."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from gemel.builds.build import Build
from gemel.checking.findings.build_evidence import of_each_build
from gemel.checking.rule import Rule
from gemel.inspection.code.address_literals import held_in_code
from gemel.inspection.code.address_users import is_reached
from gemel.inspection.code.far_accesses import FarAccess, accesses_of, calls_of, is_branch
from gemel.inspection.cores.views import LOWEST_RETURN, in_execute_never, whereabouts
from gemel.inspection.inspection import Inspection
from gemel.inspection.ram.claims import own_ram, shared_ram
from gemel.inspection.ram.windows import windows_of
from gemel.inspection.start_up.started import release_write
from gemel.inspection.wording import concerned, found_or_holds, lines_in_short, symbol_at
from gemel.layout.addresses import locate, starts_of
from gemel.layout.model import BuildPlan, Core, Layout
from gemel.m_profile.architectures import BASELINES
from gemel.m_profile.bit_band import alias_of, of_bit_band_alias
from gemel.outcomes import Finding, Need, NotChecked, Outcome, Reason
from gemel.spans import Span, format_address, without

_CAUSES = (
    "addressed-constants-stored",
    "handlers-executable",
    "vector-table-not-blank",
    "ram-claims-in-own-areas",
    "ram-claims-apart",
)


@of_each_build("symbols")
def check(inspection: Inspection, plan: BuildPlan, build: Build) -> Iterator[Outcome]:
    """One outcome for each build with symbols, or one finding for each kind of place that its code leads to."""
    found, away = [], calls_away(inspection, plan, build)
    for call in away.pop(UNKNOWN, [])[:1]:
        place = f"{format_address(call.target)}, to which it branches at {format_address(call.at)}, is in {UNKNOWN}"
        yield NotChecked(f"build {plan.name}", Reason(place, Need("layout", "memory")))
    for kind, calls in away.items():
        found.append(_finding(inspection, build, plan, f"branches to {kind}", calls))
    if stores := stores_away(inspection, plan, build):
        found.append(_finding(inspection, build, plan, "stores to RAM of another core", stores))
    yield from found_or_holds(found, f"build {plan.name}")


def _finding(
    inspection: Inspection, build: Build, plan: BuildPlan, what: str, accesses: list[FarAccess]
) -> Finding:
    places = [
        f"{format_address(each.target)}, {whereabouts(inspection, plan.core, each.target)}, from "
        f"{format_address(each.at)}" + (f" ({symbol})" if (symbol := symbol_at(build, each.at)) else "")
        for each in sorted(accesses, key=lambda each: (each.target, each.at))
    ]
    stores = "RAM" in what.split()
    return Finding(
        f"code of build {build.name} {what}",
        concerned(build.name, plan.core, plan.stored_in),
        where=f"build {build.name} ({build.file}), at {format_address(min(each.at for each in accesses))}",
        found=places[0],
        expected="RAM of its own core, or an area of purpose shared" if stores else "code of its own core",
        span=Span(accesses[0].at, 2),
        lines=lines_in_short(places[1:], "place"),
        next_step="correct the address, or make the place an area of purpose shared"
        if stores
        else "correct the address; take the ELF file as the linker wrote it, if the functions there were left out",
        follows_from=tuple((rule, build.name) for rule in _CAUSES),
    )


HEADER = 0x400
"""Bytes before code that is programmed later in which what says that it is there may be (common practice)."""

NOT_EXECUTED, ERASED, UNKNOWN = "where no code can be", "where nothing is stored", "no memory of the layout"


def calls_away(inspection: Inspection, plan: BuildPlan, build: Build) -> dict[str, list[FarAccess]]:
    """The branches of a build that lead where no code of its core is, by what is there."""
    kind_of = partial(_kind, inspection, plan, build)
    found: dict[str, list[FarAccess]] = {}
    for call in calls_of(build, inspection.mapped_code.get(build.name), lambda target: bool(kind_of(target))):
        kind = kind_of(call.target)
        if not (kind == ERASED and _is_asked_for(inspection, plan, build, call.target)) and _is_used(
            build, call
        ):
            found.setdefault(kind, []).append(call)
    return found


def _is_used(build: Build, access: FarAccess) -> bool:
    """Whether the access is a branch, as compilers write them, or in a function that something leads to."""
    function = build.function_at(access.at)
    return is_branch(build, access) or function is None or is_reached(build, function[0])


def _kind(inspection: Inspection, plan: BuildPlan, build: Build, target: int) -> str:
    """What is at the target of a branch; empty for code of the core, and for what is not known."""
    layout = inspection.layout
    if build.read_at_run(target, 2) is not None or target >= LOWEST_RETURN - 1:
        return ""
    located = locate(layout, target, plan.core)
    if in_execute_never(target) or (located and located.memory.kind == "device"):
        return NOT_EXECUTED
    if located is None:
        return UNKNOWN
    if located.memory.kind == "ram":
        spans = (span for each in _of_others(layout, plan.core).values() for span in each)
        return "RAM of another core" if any(span.holds(target) for span in spans) else ""
    for placed in inspection.placed.values():
        if placed.stored.holds(located.plain):
            other = inspection.builds.get(placed.name)
            is_foreign = placed.core != plan.core and not _is_linked_with(build, other, target)
            return f"code of core {placed.core}" if is_foreign else ""
    areas = {each.stored_in for each in layout.builds.values()}
    if plan.stored_in not in areas or not any(layout.span_of(area).holds(located.plain) for area in areas):
        return ""
    blank = bytes((inspection.erased_byte_at(located.plain),)) * 2
    is_blank = inspection.bytes_of(Span(located.plain, 2)) == blank
    return ERASED if located.memory.kind == "flash" and is_blank and not _is_named(build, target) else ""


def _of_others(layout: Layout, core: str) -> dict[str, list[Span]]:
    """The RAM that each other core alone owns, as ``core`` sees it, through aliases too."""
    common = [*own_ram(layout, core), *shared_ram(layout)]
    return {
        other: [
            span.moved(start - window.memory.start)
            for span in without(own_ram(layout, other), common)
            for window in windows_of(layout)
            if window.seen.holds(span.start)
            for start in starts_of(window.memory, core)
        ]
        for other in layout.cores
        if other != core
    }


def _is_named(build: Build, target: int) -> bool:
    """Whether a linker script or another build's symbols give the address to the build."""
    return build.symbols is not None and any(
        each.absolute and each.value & ~1 == target for each in build.symbols.all()
    )


def _is_linked_with(build: Build, other: Build | None, target: int) -> bool:
    """Whether a build has a function of another one by a symbol, where that one has a function."""
    if not _is_named(build, target) or other is None or other.symbols is None:
        return _is_named(build, target)
    function = other.symbols.function_at(target)
    return function is not None and not function[1]


def _is_asked_for(inspection: Inspection, plan: BuildPlan, build: Build, target: int) -> bool:
    """Whether code has an address there, or in front of it, for data: it may ask whether anything was programmed."""
    mapped = inspection.mapped_code.get(build.name)
    before = Span.from_bounds(max(0, target - HEADER), target + 4)
    return bool(accesses_of(build, [before], loads=True, is_baseline=_is_baseline(inspection, plan))) or any(
        value & ~1 != target and build.read_at_run(value, 1) is None
        for _, value in held_in_code(build, mapped, before)
    )


def stores_away(inspection: Inspection, plan: BuildPlan, build: Build) -> list[FarAccess]:
    """The stores of a build to RAM that another core alone owns; of the primary's those that follow the release.

    Those to a word of a bit-band alias have the byte with that bit for their target.
    """
    layout, found, is_baseline = inspection.layout, [], _is_baseline(inspection, plan)
    architecture = layout.cores[plan.core].architecture
    for core, spans in _of_others(layout, plan.core).items():
        aliases = [alias for span in spans if (alias := alias_of(architecture, span))]
        bits = [span for span in aliases if locate(layout, span.start, plan.core) is None]
        for store in accesses_of(build, [*spans, *bits], loads=False, is_baseline=is_baseline):
            seen = of_bit_band_alias(architecture, Span(store.target, 1)) if bits else None
            store = store._replace(target=seen.start) if seen else store
            if _is_used(build, store) and _is_running(inspection, plan, layout.cores[core], store):
                found.append(store)
    return found


def _is_baseline(inspection: Inspection, plan: BuildPlan) -> bool:
    return inspection.layout.cores[plan.core].architecture in BASELINES


def _is_running(inspection: Inspection, plan: BuildPlan, owner: Core, store: FarAccess) -> bool:
    """Whether the core whose RAM a store changes runs by then: a primary may prepare it, before it releases that core.

    That is known where every store to the control register is one of the run of start-up code, which had not written
    the word by the last of them.
    """
    if owner.role == "primary" or owner.release is None:
        return owner.role == "primary"
    write, run = release_write(owner.release), inspection.start_runs.get(plan.name)
    if run is None or run.why_not or not any(at_write == write for at_write, _, _ in run.filled):
        return False
    executed = {each.at for each in run.stores}
    known = {
        each.store.at
        for settings in inspection.core_settings.values()
        for each in settings
        if each.store.target == write.register
    }
    word = store.target & ~3
    return known <= executed and not run.filled.intersection({(write, word, False), (write, word, True)})


RULE = Rule(
    name="code-uses-own-memory",
    severity="error",
    guards="device",
    checks="No branch of a build to an address that its code puts together, or that the linker did, leads to erased "
    "flash in the area of a build, to a device, to RAM of another core, or into another core's build, a function that "
    "it was linked with by its symbol excepted; no store of it to such an address is in RAM that another core alone "
    "owns, those of the primary before the release excepted.",
    why="A branch to erased flash or a device faults. Another core's functions use that core's RAM and devices, and "
    "move with each of its builds. A store to its RAM changes a variable of code that knows nothing of it.",
    remedy="Take addresses from symbols and not from numbers; share RAM by an area of purpose shared, and let the "
    "other core do what is its to do.",
    source="Armv7-M Architecture Reference Manual, section B3.1, the system address map (from memory); common practice",
    absent="the layout has no build",
    check=check,
    of_elf=True,
)
