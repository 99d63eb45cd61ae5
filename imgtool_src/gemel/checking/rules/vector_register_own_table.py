"""Rule ``vector-register-own-table``: code sets the vector table to one of its own core."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import suppress
from typing import TYPE_CHECKING

from gemel.checking.rule import Rule
from gemel.inspection.code.address_users import holders, is_reached
from gemel.inspection.code.core_settings import Setting
from gemel.inspection.cores.code_settings import CoreCode, core_code
from gemel.inspection.cores.vector_tables import boot_table, named_words
from gemel.inspection.cores.views import area_at, distance, stack_area, whereabouts
from gemel.inspection.inspection import Inspection
from gemel.inspection.ram.claims import own_ram
from gemel.inspection.wording import builds_stored_in, concerned, symbol_at
from gemel.layout.addresses import locate
from gemel.layout.model import LEFT_ALONE, Core
from gemel.m_profile.code.known_registers import STACK_FROM, VTOR, VTOR_NS
from gemel.m_profile.execution.values import Loaded
from gemel.m_profile.vector_tables import alignment_of
from gemel.outcomes import Finding, Holds, Need, NotChecked, Outcome, Reason
from gemel.placement.places import SymbolNotPlaced, starting_plan
from gemel.spans import Span, format_address, format_size

if TYPE_CHECKING:
    from gemel.builds.elf.symbol_entries import Symbol
    from gemel.m_profile.execution.start_run import StartRun
    from gemel.placement.placed import PlacedBuild


SCB = 0xE000_ED00
"""Where the system control block is, from which compilers reach VTOR by an offset."""


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each build whose code sets the register, or a finding for each wrong address."""
    codes = list(core_code(inspection))
    yield from (each for each in codes if isinstance(each, NotChecked))
    read = [each for each in codes if not isinstance(each, NotChecked)]
    if len(inspection.layout.builds) > len(inspection.layout.cores):
        from gemel.checking.findings.tables_never_set import never_set

        yield from never_set(inspection, read)
    for core in read:
        known = [
            each for target in (VTOR, VTOR_NS) for each in core.of(target) if each.store.value is not None
        ]
        set_to = {each.store.value for each in known}
        wrong = list(_wrong_words(inspection, core))
        known += [
            each
            for each in core.of(STACK_FROM)
            if not wrong and each.store.value not in set_to and _leads_to_build(inspection, core, each)
        ]
        unseen = {each: how for each in known if (how := _uses_no_memory(inspection, core, each))}
        known = [each for each in known if each not in unseen]
        for each, how in list(unseen.items())[:1]:
            yield NotChecked(f"build {core.plan.name}", Reason(f"{each.place} sets VTOR to {how}", _ALIASES))
        first_of = {each.store.value: each for each in reversed(known)}
        findings = [
            found for each in reversed(first_of.values()) if (found := _judged(inspection, core, each))
        ]
        findings += wrong
        yield from findings
        if known and not findings:
            yield Holds(f"build {core.plan.name}")


_NO_ALIAS = "0x0000_0000, which may be an alias of where the device starts; the layout has no memory there"
_ALIASES = Need("layout", "memory.aliases")


def _uses_no_memory(inspection: Inspection, core: CoreCode, setting: Setting) -> str:
    """How a primary's table is at 0, or copied from there: most devices start there; the layout may lack it."""
    layout, value = inspection.layout, setting.store.value
    if layout.cores[core.plan.core].role != "primary" or locate(layout, 0, core.plan.core):
        return ""
    run = inspection.start_runs.get(core.plan.name)
    words = dict(run.tables).get(value, ()) if run and value else ()
    if run and words and words.count(None) == len(words) and {4, 60} <= run.not_stored:
        return f"RAM that is filled from {_NO_ALIAS}"
    return "" if value else _NO_ALIAS


def _leads_to_build(inspection: Inspection, core: CoreCode, setting: Setting) -> bool:
    """Whether code takes its stack pointer from flash that a build has, as if a vector table were there."""
    layout, value = inspection.layout, setting.store.value
    located = None if value is None else locate(layout, value, core.plan.core)
    areas = map(layout.span_of, {plan.stored_in for plan in layout.builds.values()})
    return located is not None and any(area.holds(located.plain) for area in areas)


def _is_of_another_image(inspection: Inspection, core: CoreCode, setting: Setting) -> bool:
    """Whether a table may be there that is in no build: in ROM, a reserved area, a slot that code may choose.

    Where the core has one build, it is anywhere that this takes its stack pointer from, too.
    """
    layout, name, value = inspection.layout, core.plan.core, setting.store.value or 0
    located, area = locate(layout, value, name), area_at(layout, value, name)
    if area and builds_stored_in(layout, area.name):
        return False
    if (located and located.memory.kind == "rom") or (area and area.purpose in LEFT_ALONE):
        return True
    builds = [each for each in inspection.placed.values() if each.core == name]
    if len(builds) == 1:
        return any(each.store.value == value for each in core.of(STACK_FROM))
    run = inspection.start_runs.get(core.plan.name)
    chosen = {each.store.value for each in core.of(VTOR)} | {end.table for end in (run.ends if run else ())}
    chosen.discard(inspection.placed[core.plan.name].vector_address)
    may_hold = located is None or located.memory.holds_image  # a layout may lack what has none of its builds
    return may_hold and any(placed.vector_address in chosen for placed in builds)


def _judged(inspection: Inspection, core: CoreCode, setting: Setting) -> Finding | None:
    value = setting.store.value or 0
    layout, name = inspection.layout, core.plan.core
    located = locate(layout, value, name)
    non_secure = setting.store.target == VTOR_NS
    own = [
        placed
        for placed in inspection.placed.values()
        if placed.core == name and not (non_secure and placed.name == core.plan.name)
    ]
    if not own or _is_of_another_image(inspection, core, setting):
        return None  # such as the table of the non-secure state, where that is in no build of the layout
    for placed in own:
        if distance(layout, name, placed.vector_address, value) == 0:
            is_left = placed.name != core.plan.name and setting.store.target == VTOR
            return _left_at(inspection, core, placed, setting) if is_left else None
    if located and located.memory.kind == "ram":
        if any(span.holds(located.plain) for span in own_ram(layout, name)) or not layout.cores[name].ram:
            return _misaligned(core, layout.cores[name], setting) or _unfilled(inspection, core, setting)
    elif located and _looks_like_table(inspection, core, located.plain):
        placed = inspection.placed[core.plan.name]
        if not non_secure or distance(layout, name, placed.vector_address, value):
            return None
    seen = whereabouts(inspection, name, value)
    tables = [f"{format_address(placed.vector_address)} (build {placed.name})" for placed in own]
    others = [
        placed.core
        for placed in inspection.placed.values()
        if placed.core != name and distance(layout, name, placed.vector_address, value) == 0
    ]
    what = f"the table of core {others[0]}" if others else "an address without a table of its own"
    does, how = "sets its vector table to", "store to VTOR_NS" if non_secure else "store to VTOR"
    if setting.store.target == STACK_FROM:
        does, how = "goes on with the stack pointer from", "MSR MSP"
    unseen = [] if located else [("reset-handler-in-code", core.plan.name)]
    return Finding(
        f"code of build {core.plan.name} {does} {what}",
        concerned(core.plan.name, name, *others),
        where=f"build {core.plan.name} ({core.build.file}), {how} at {setting.place}",
        found=f"{format_address(value)}, {seen}",
        expected=f"{' or '.join(tables) or 'a vector table of this core'}, or a table in RAM of core {name}",
        span=Span(setting.store.at, 4),
        next_step=_address_to_take(core, own),
        follows_from=(*_named_in(inspection, core.plan.name, value), *unseen),
    )


def _address_to_take(code: CoreCode, own: list[PlacedBuild]) -> str:
    """The table that code which has its own goes on to, where only one other build of the core has any."""
    others = [placed for placed in own if placed.name != code.plan.name]
    is_set = any(placed.vector_address == each.store.value for placed in own for each in code.of(VTOR))
    if len(others) != 1 or not is_set:
        return ""
    return f"take the address of build {others[0].name}, {format_address(others[0].vector_address)}"


def _wrong_words(inspection: Inspection, code: CoreCode) -> Iterator[Finding]:
    """Branches into another build of the core by other words of its table than a core starts with."""
    name, run = code.plan.name, inspection.start_runs.get(code.plan.name)
    for at, stack, target in sorted(run.jumps) if run else ():
        for placed in inspection.placed.values():
            table = inspection.vector_table(placed.name)
            size = 4 * len(table.words) if table and placed.core == code.plan.core else 0
            words = [(each - placed.vector_address) // 4 for each in (stack, target)]
            if words == [0, 1] or not all(
                Span(placed.vector_address, size).holds(each) for each in (stack, target)
            ):
                continue
            function = code.build.function_at(at)
            yield Finding(
                f"code of build {name} starts build {placed.name} by the wrong words of its vector table",
                concerned(name, placed.name, code.plan.core),
                where=f"build {name} ({code.build.file}), branch at {format_address(at)}"
                + (f" ({function[0].name})" if function else ""),
                found=f"the stack pointer from word {words[0]}, the address that it branches to from word {words[1]}",
                expected="the stack pointer from word 0, the address from word 1",
                span=Span(at, 2),
                next_step=f"with the table at {format_address(placed.vector_address)}, take word 0 as the stack "
                "pointer and branch to word 1",
            )
            return


def _named_in(inspection: Inspection, name: str, value: int) -> Iterator[tuple[str, str]]:
    """The contracts whose constant of the build holds the address: that is judged itself."""
    for contract in inspection.layout.contracts.values():
        boot = contract.boot_symbol
        if boot is None or boot.build != name:
            continue
        with suppress(SymbolNotPlaced):
            table = boot_table(inspection, boot)
            if value in map(inspection.word_at, range(table.start, table.end - 3, 4)):
                yield "boot-constant-agrees", contract.name


def _left_at(inspection: Inspection, code: CoreCode, other: PlacedBuild, setting: Setting) -> Finding | None:
    """What is wrong with the table of another build of this core, such as a boot loader's, where code stays its own.

    A boot loader sets it and goes on into the other build; so does an application that goes back to its loader.
    """
    value, name, run = setting.store.value, code.plan.name, inspection.start_runs.get(code.plan.name)
    if run is None or code.plan is starting_plan(inspection.layout):
        return None
    if any(each.store.value != value for each in code.of(VTOR)):
        return None
    if any(Span(other.run_start, other.stored.size).holds(end.at) for end in run.ends):
        return None
    if not any(end.table == value and code.build.read_at_run(end.at, 2) for end in run.ends):
        return None
    own = inspection.placed[name].vector_address
    return Finding(
        f"code of build {name} sets its vector table to that of build {other.name}",
        concerned(name, other.name, code.plan.core),
        where=f"build {name} ({code.build.file}), store to VTOR at {setting.place}",
        found=f"{format_address(value or 0)}, {whereabouts(inspection, code.plan.core, value or 0)}; "
        f"build {name} goes on with it",
        expected=f"{format_address(own)} (build {name})",
        span=Span(setting.store.at, 4),
    )


def _misaligned(code: CoreCode, core: Core, setting: Setting) -> Finding | None:
    """What is wrong with a table in RAM whose address has bits that the register has not."""
    value, needed = setting.store.value or 0, alignment_of(core.interrupts, core.vector_alignment)
    if value % needed == 0:
        return None
    return Finding(
        f"code of build {code.plan.name} sets its vector table to an address that is not aligned for "
        f"{core.interrupts} interrupts",
        concerned(code.plan.name, core.name),
        where=f"build {code.plan.name} ({code.build.file}), store to VTOR at {setting.place}",
        found=f"{format_address(value)}, {format_size(value % needed)} above a multiple of {needed}",
        expected=f"a multiple of {format_size(needed)}",
        span=Span(setting.store.at, 4),
        next_step=f"align the table in RAM: __attribute__((aligned({needed})))",
    )


def _unfilled(inspection: Inspection, code: CoreCode, setting: Setting) -> Finding | None:
    """What is wrong with a table in RAM as the run of its start-up code leaves it, where nothing else fills it."""
    value, run = setting.store.value or 0, inspection.start_runs.get(code.plan.name)
    if run is None or code.build.read_at_run(value, 4) is not None:
        return None
    words = dict(run.tables).get(value, ())
    other = _copied_from_other(inspection, code, words)
    known = inspection.vector_table(code.plan.name)
    missing = _missing(known.words, [*_as_left(run, value, words)]) if known else []
    is_blank = value in run.blank_tables
    if not (other or missing or is_blank):
        return None
    if not other and (
        any(store.value == value and store.target != setting.store.target for store in run.stores)
        or _is_used_elsewhere(inspection, code, setting, value, run)
    ):
        return None
    if (
        not other
        and not is_blank
        and any(_other_holders(code, setting, inspection, at) for at in (VTOR, SCB))
    ):
        return None  # which may put handlers into the table, wherever it is
    place = symbol_at(code.build, value)
    what, found = "that nothing fills", "where no code writes a handler and no initial data goes"
    expected, step = "a table that is copied or written there before the first interrupt", ""
    if other:
        what = f"that it fills with the table of core {other.core}"
        found = (
            f"with words that are copied from {format_address(other.vector_address)}, in build {other.name}"
        )
        expected = f"the words of the vector table of build {code.plan.name}"
        step = f"copy them from {format_address(inspection.placed[code.plan.name].vector_address)}"
    elif missing and known and not is_blank:
        handler = known.words[missing[0]]
        symbol = symbol_at(code.build, handler)
        found = (
            f"with {'nothing' if words[missing[0]] is None else 'zero'} in {named_words(missing)}, of which word "
            f"{missing[0]} is {format_address(handler)}{f' ({symbol})' if symbol else ''} in its table in flash"
        )
        what = "that it fills in part"
        step = f"copy all {len(known.words)} words of the vector table before VTOR is set"
    return Finding(
        f"code of build {code.plan.name} sets its vector table to RAM {what}",
        concerned(code.plan.name, code.plan.core, *([other.core] if other else [])),
        where=f"build {code.plan.name} ({code.build.file}), store to VTOR at {setting.place}",
        found=f"{format_address(value)}{f' ({place})' if place else ''}, {found}",
        expected=expected,
        span=Span(setting.store.at, 4),
        next_step=step or "copy the vector table there before VTOR is set, and after RAM is cleared",
    )


def _copied_from_other(
    inspection: Inspection, code: CoreCode, words: tuple[int | None, ...]
) -> PlacedBuild | None:
    """The build of another core from whose vector table the words were copied, each from its own place."""
    starts = {word.source - 4 * at for at, word in enumerate(words) if isinstance(word, Loaded)}
    layout, core = inspection.layout, code.plan.core
    others = [placed for placed in inspection.placed.values() if placed.core != core]
    is_from = (each for each in others if not distance(layout, core, each.vector_address, *starts))
    are_copied = len(starts) == 1 and all(isinstance(word, Loaded) for word in words[2:4])
    return next(is_from, None) if are_copied else None


def _as_left(run: StartRun, table: int, words: tuple[int | None, ...]) -> Iterator[int | None]:
    """The words of a table with 0 for each that nothing has written, where the run shows all that is."""
    written = (*run.written, *run.perhaps, *(span for _, span in run.later))
    for at, word in enumerate(words):
        place = Span(table + 4 * at, 4)
        is_left = word is None and not run.why_not and not any(each.overlaps(place) for each in written)
        yield 0 if is_left else word


def _missing(own: tuple[int, ...], words: Sequence[int | None]) -> list[int]:
    """The words that are zero, where the build's own table has more than a default handler in some of them."""
    zero = [
        at for at, (mine, word) in enumerate(zip(own, words, strict=False)) if at > 1 and mine and word == 0
    ]
    default = max(own[2:], key=own[2:].count, default=0)
    special = [at for at in zero if own[at] != default]
    return [*special[:1], *(at for at in zero if at not in special[:1])] if special else []


def _is_used_elsewhere(
    inspection: Inspection, code: CoreCode, setting: Setting, value: int, run: StartRun
) -> bool:
    """Whether other code than that of the start, which the run shows, holds the address of the table."""
    others = [build for build in inspection.builds.values() if build is not code.build]
    own = _other_holders(code, setting, inspection, value)
    if any(
        span.start == value for span in run.written
    ):  # where cleared data begins, what says so may be data
        own.discard(None)
    return bool(own) or any(holders(build, value) for build in others)


def _other_holders(
    code: CoreCode, setting: Setting, inspection: Inspection, address: int
) -> set[Symbol | None]:
    """The functions that hold an address, without the one that sets VTOR, the reset handler, and what nothing calls."""
    table = inspection.vector_table(code.plan.name)
    places = [setting.store.at, *(table.words[1:2] if table else ())]
    start = {known[0].address for at in places if (known := code.build.function_at(at))}
    found = holders(code.build, address)
    return {
        each for each in found if not each or (each.address not in start and is_reached(code.build, each))
    }


def _looks_like_table(inspection: Inspection, core: CoreCode, plain: int) -> bool:
    """Whether two words that the core could start with are there, in an area of a build of this core."""
    layout, name = inspection.layout, core.plan.core
    foreign = [layout.span_of(plan.stored_in) for plan in layout.builds.values() if plan.core != name]
    if any(span.holds(plain) for span in foreign):
        return False
    pointer, reset = inspection.word_at(plain), inspection.word_at(plain + 4)
    return stack_area(inspection, name, pointer) is not None and bool(reset & 1) and reset != 0xFFFF_FFFF


RULE = Rule(
    name="vector-register-own-table",
    severity="error",
    guards="device",
    checks="Where code puts a constant into the vector table offset register (VTOR, or VTOR_NS of the non-secure "
    "state), that address is the vector table of its own build, of another build of the same core into which it goes "
    "on or of another image next to that, another table of it in flash, in ROM or a reserved area, or in RAM that the "
    "core owns, aligned for its interrupts and filled by code or initial data, with the handlers of its own table in "
    "flash; where code takes its stack pointer from a build's area, as a boot loader does that goes on there, a table "
    "of this core is there, it takes words 0 and 1, and code of the two may set VTOR where that table has handlers of "
    "its own.",
    why="From then on every interrupt and fault of this core runs what that address holds: the other core's "
    "handlers, with the other core's variables, or erased flash. Until the first interrupt all is well.",
    remedy="Take the address from the linker's symbol of the build's own vector table, not from a constant that was "
    "copied from the other build.",
    source="Armv7-M Architecture Reference Manual, section B3.2.5, VTOR (from memory); common practice",
    absent="no build's code puts a constant into the register",
    check=check,
    of_elf=True,
)
