"""Rule ``cleared-data-cleared-whole``: a section that start-up code clears is cleared to its end."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from gemel.builds.build import Build
from gemel.checking.findings.build_evidence import of_each_build
from gemel.checking.findings.start_blocks import unused_words
from gemel.checking.rule import Rule
from gemel.inspection.code.address_users import holds
from gemel.inspection.inspection import Inspection
from gemel.inspection.ram.claims import own_ram, shared_ram
from gemel.inspection.ram.unstored import KEEPING, KEPT, named_as, unstored_sections
from gemel.inspection.start_up.names import block_of, is_end
from gemel.inspection.start_up.started import given_to_devices
from gemel.inspection.start_up.tables import StartBlocks, StartEntry
from gemel.inspection.wording import (
    MAX_SHOWN,
    biggest_symbols,
    concerned,
    counted,
    found_or_holds,
    lines_in_short,
    sized,
)
from gemel.layout.addresses import locate, plain_span
from gemel.layout.model import BuildPlan
from gemel.outcomes import Finding, NotChecked, Outcome, Reason
from gemel.spans import Span, format_address, without
from gemel.structs import replace

if TYPE_CHECKING:
    from gemel.builds.elf.section_table import Section

ROUNDED = 16
"""A block that reaches less far into a section has its end rounded up and is meant for the one before."""

_FRONT = (
    "put the symbol of the start before all input sections; a hint, since nothing here says whether these objects are "
    "to keep their content: a label such as __noinit_start in front of them, or a section .noinit, says so"
)
"""What to do where a section is cleared but for its front, as scripts with input sections to keep have it too."""

_END = (
    "put the symbol of the end after all input sections, COMMON included, or take the size in the zero table from "
    "SIZEOF"
)
"""What to do where a section is cleared but for its end, or by an empty entry of a table."""

_BY_OTHERS = (
    "; where a boot ROM or a device clears it, state that as the reason of an entry in severity of [rules] that makes "
    "this rule a note"
)
"""What to do where nothing in the build clears a section, and nothing has to."""

_CLEAR = "clear the section at the start, up to its last object"
"""The same where code leaves out all of a section that symbols have cleared."""

KEPT_SECTIONS = (*KEPT, "link", "shared", "mailbox")
"""The same for the names of sections that a block reaches."""


@of_each_build("symbols")
def check(inspection: Inspection, plan: BuildPlan, build: Build) -> Iterator[Outcome]:
    """One outcome for each build that has sections of cleared data and shows by symbols what it clears."""
    start = inspection.start_blocks[plan.name]
    run = inspection.start_runs.get(plan.name)
    written = (
        [block.span for block in (*start.clears, *start.copies)]
        if start.written is None
        else [*start.written]
    )
    sections, findings = _said(inspection, plan, build, written)
    where = f"build {plan.name}, {', '.join(each.name for each in sections)}"
    if findings and run and not _said(inspection, plan, build, [*written, *run.perhaps])[1]:
        yield NotChecked(where, "its start-up code writes there, but what, or how far, is not known")
    elif sections:
        yield from found_or_holds(findings, where)


def _said(
    inspection: Inspection, plan: BuildPlan, build: Build, written: list[Span]
) -> tuple[list[Section], list[Finding]]:
    """The sections that are to be cleared, and what is wrong with that, by all that is ``written``."""
    start = inspection.start_blocks[plan.name]
    blocks = start.clears
    by_run = start.written is not None
    unstored = unstored_sections(build)
    run = inspection.start_runs.get(plan.name)
    copied = [each.span for each in run.copies] if run else []
    sections = [
        each
        for each in unstored
        if _meant(each, blocks) or (by_run and _is_begun(build, each, written, copied))
    ]
    initialises = by_run and bool(
        run and run.copies
    )  # code that initialises, not one without a start of its own
    left = _left_out(build, written) if start.states_clears or initialises else []
    if initialises and not any(span.overlaps(each.span) for span in written for each in unstored):
        others = [each for each in unstored if each not in left and _meant_so(build, each)]
        left += [each for each in others if _is_own(inspection, plan, each.span)]
    later = [each.span for each in run.later if each.source is None] if run else []
    described = [{word for word in words if word is not None} for words in run.described] if run else []
    given = [*(given_to_devices(run) if run else ()), *described]
    done = [
        each
        for each in (*sections, *left)
        if any(_is_given(inspection, plan, each.span, words) for words in given)
        or _is_cleared_later(build, each, written, later)
        or (not by_run and each in left and holds(build, each.span.start, each.span.end))
    ]
    sections, left = [[each for each in those if each not in done] for those in (sections, left)]
    left = [each for each in left if each not in sections]
    if by_run:
        left += [
            each
            for each in sections
            if _is_own(inspection, plan, each.span) and _is_set_only(build, each, written, copied)
        ]
        sections = [each for each in sections if each not in left]
    findings = [
        each
        for section in sections
        if section not in left
        and (each := _partly_cleared(inspection, plan, build, section, written, by_run=by_run))
    ]
    findings += [_not_cleared(plan, build, left, start)] if left else []
    data = [each.span for each in unstored if not named_as(KEPT, each.name)]
    begins = copied or start.copies or any(span.overlaps(each) for span in written for each in data)
    causes = ["reset-handler-in-code"] if begins else ["reset-handler-in-code", "initialised-data-copied"]
    follows_from = tuple((rule, plan.name) for rule in causes)
    return [*sections, *left], [
        replace(each, follows_from=each.follows_from + follows_from) for each in findings
    ]


def _is_cleared_later(build: Build, section: Section, written: list[Span], later: list[Span]) -> bool:
    """Whether start-up code leaves a section to main, which clears every object in it."""
    begun = any(span.overlaps(section.span) for span in written)
    return not begun and not any(_data_in(build, section, rest) for rest in without([section.span], later))


def _is_given(inspection: Inspection, plan: BuildPlan, section: Span, words: set[int]) -> bool:
    """Whether two of the begin of a section, its end and its size are among words, the last two less one unit too.

    A size may have other bits around it.  That of a small section is as likely any other number.
    """
    ends, sizes, fields = {section.end}, set[int](), set[int]()
    if section.size > ROUNDED:
        whole = section.size + 3 & ~3
        ends = {section.start + size - less for size in (section.size, whole) for less in (0, 1, 4)}
        sizes = {section.size, whole, section.size - 1, whole - 1, whole // 4, whole // 4 - 1}
        fields = {each for each in sizes if each > ROUNDED and each & (each - 1)}
    numbers = [each for each in words if not _is_address(inspection, plan, each)]
    has_size = bool(words & sizes) or any(_has_field(word, each) for word in numbers for each in fields)
    return (section.start in words) + bool(words & ends) + has_size > 1


def _has_field(word: int, number: int) -> bool:
    """Whether a word has a number in a field that has room for a larger one."""
    mask = (1 << number.bit_length() + 1) - 1
    return any(word >> shift & mask == number for shift in range(33 - number.bit_length()))


def _is_address(inspection: Inspection, plan: BuildPlan, word: int) -> bool:
    """Whether a word is as likely an address as a number: of memory, or of the devices' part of the map."""
    return word >> 24 != 0 and (
        0x4000_0000 <= word < 0x6000_0000 or locate(inspection.layout, word, plan.core) is not None
    )


def _left_out(build: Build, written: list[Span]) -> list[Section]:
    """The sections that are named as cleared data, hold objects, and that no block reaches."""
    named = [each for each in unstored_sections(build) if _is_named_so(build, each)]
    return [section for section in named if not any(span.overlaps(section.span) for span in written)]


def _is_named_so(build: Build, section: Section) -> bool:
    """Whether a section with objects is named as cleared data: ``.bss``, ``COMMON``, ``ZI`` (common practice)."""
    name = section.name.lower()
    return bool(
        ("bss" in name or name == "common" or "zi" in name.replace("_", ".").replace("$", ".").split("."))
        and not named_as(KEPT, section.name)
        and _data_in(build, section, section.span)
    )


def _meant_so(build: Build, section: Section) -> bool:
    """Whether a section of any name holds objects, and no name says that it keeps what it holds."""
    return not named_as(KEPT_SECTIONS, section.name) and _data_in(build, section, section.span)


def _is_begun(build: Build, section: Section, written: list[Span], copied: list[Span]) -> bool:
    """Whether a section is written from its start, or up to its end, and not just one of its objects.

    That is what is between two labels, or more or less than an object, and is not copied, as vectors are.  Where the
    section is named as cleared data, anything counts.
    """
    reached = [common for span in written if (common := span.intersection(section.span)).size]
    if _is_named_so(build, section) or not reached or not _meant_so(build, section):
        return bool(reached) and _is_named_so(build, section)
    reached = without(reached, copied)
    there = list(build.symbols.objects_in(section.span)) if build.symbols else []
    labels = {each.value for each in build.symbols.labels} if build.symbols else set()
    return any(
        2 * each.size > section.span.size
        or labels.issuperset((each.start, each.end))
        or (each.size >= ROUNDED and each not in [symbol.span for symbol in there])
        for each in reached
        if each.start == section.span.start or each.end == section.span.end
    )


def _is_set_only(build: Build, section: Section, written: list[Span], copied: list[Span]) -> bool:
    """Whether nothing of a section with data is cleared, and only some of its objects get another value."""
    return not any(span.overlaps(section.span) for span in without(written, copied)) and any(
        _data_in(build, section, rest) for rest in without([section.span], written)
    )


def _is_own(inspection: Inspection, plan: BuildPlan, span: Span) -> bool:
    """Whether RAM that the core sees at ``span`` is its own, and not shared."""
    layout = inspection.layout
    plain = plain_span(layout, span, plan.core)
    alone = without(own_ram(layout, plan.core), shared_ram(layout))
    return plain is not None and any(own.covers(plain) for own in alone)


def _not_cleared(plan: BuildPlan, build: Build, left: list[Section], start: StartBlocks) -> Finding:
    names = ", ".join(section.name for section in left)
    reaching = [block for block in start.clears if any(block.span.overlaps(each.span) for each in left)]
    known = ", ".join(f"{block.span} by {block.named_by}" for block in start.clears if block not in reaching)
    unused = unused_words(start.unused, left[0].span)
    nothing = bool(reaching) or not (known or start.states_clears)
    orphans = any(section.name.startswith((".bss.", "COMMON")) for section in left)
    tables = "" if orphans else ", ".join(name for name, _ in start.clear_tables)
    has_entry = any(left[0].span.holds(at) for _, starts in start.clear_tables for at in starts)
    entry = left[0].name
    if tables:
        known = (
            known or f"{'an empty entry' if has_entry else 'no entry'} for {entry} in the table at {tables}"
        )
        next_step = (
            _END
            if has_entry
            else (
                f"add the section to the table at {tables}: LONG(ADDR({entry})) LONG(SIZEOF({entry})), the size in the "
                "unit of the table"
            )
        )
    elif unused or nothing:
        known, next_step = known or "a block that no code clears", unused or _CLEAR
    else:
        known = known or "an empty block"
        next_step = (
            "place the input sections in the linker script: *(.bss .bss.* COMMON), between the two symbols"
        )
    lines = [
        f"{section.name}, {sized(section.span)}: {biggest_symbols(build, section.span)}" for section in left
    ]
    return Finding(
        f"start-up code of build {plan.name} clears nothing of {names}",
        concerned(plan.name, plan.core),
        where=f"build {plan.name} ({build.file}, section {names})",
        found=known,
        expected=f"a block that reaches from {format_address(min(each.span.start for each in left))} to "
        f"{format_address(max(each.span.last for each in left))}",
        next_step=next_step + _BY_OTHERS,
        lines=lines_in_short(lines, "section"),
        follows_from=(("start-clears-own-ram", plan.name),),
    )


def _meant(section: Section, blocks: list[StartEntry]) -> bool:
    """Whether a block is there to clear the section, and no name says that it keeps what it holds."""
    if named_as(KEPT_SECTIONS, section.name):
        return False
    return any(
        block.span.size
        and (section.span.holds(block.start) or section.span.intersection(block.span).size >= ROUNDED)
        for block in blocks
    )


def _partly_cleared(
    inspection: Inspection,
    plan: BuildPlan,
    build: Build,
    section: Section,
    written: list[Span],
    *,
    by_run: bool,
) -> Finding | None:
    """What a block leaves out of a section, all of it in one finding; None if that is no data."""
    left = [
        rest
        for rest in without([section.span], written)
        if (rest.end == section.span.end or by_run)
        and _data_in(build, section, rest)
        and _is_own(inspection, plan, rest)
    ]
    if not left:
        return None
    is_front = [each.start for each in left] == [section.span.start] and left[0] != section.span
    lines = dict.fromkeys(f"largest objects there: {biggest_symbols(build, rest)}" for rest in left)
    more = f" and {counted(len(left) - MAX_SHOWN, 'more piece')}" if len(left) > MAX_SHOWN else ""
    return Finding(
        f"start-up code of build {plan.name} clears "
        + (f"nothing of {section.name}" if left == [section.span] else f"section {section.name} in part"),
        concerned(plan.name, plan.core),
        where=f"build {plan.name} ({build.file}, section {section.name})",
        found=f"not cleared: {', '.join(sized(rest) for rest in left[:MAX_SHOWN])}{more}",
        expected=f"cleared from {format_address(left[0].start)} on, where the section starts"
        if is_front
        else f"cleared up to {format_address(section.span.last)}, the end of the section",
        span=plain_span(inspection.layout, left[0], plan.core),
        lines=lines_in_short(list(lines), "piece"),
        next_step=_FRONT if is_front else _CLEAR + _BY_OTHERS if left == [section.span] else "",
    )


def _data_in(build: Build, section: Section, rest: Span) -> bool:
    """Whether ``rest`` holds objects, and no label says that it is a heap, or symbol that it keeps its content.

    Without objects it is padding, or room that the linker script set aside; heaps and stacks that are objects are
    room, too, and say nothing of others.
    """
    symbols = build.symbols.objects_in(section.span) if build.symbols else ()
    there = [each for each in symbols if each.span.overlaps(rest) or rest.holds(each.address)]
    kept = [each for each in there if named_as(KEEPING if each.size else KEPT, each.name)]
    ended = [each for each in kept if not each.size and each.address == rest.start and _ends(each.name)]
    empty = {block_of(each.name) for each in ended} - {None}
    data = (each for each in there if each.kind == "object" and each.size)
    return not all(named_as(KEPT, each.name) for each in data) and all(
        each in ended or (not each.size and each.address == rest.start and block_of(each.name) in empty)
        for each in kept
    )


def _ends(name: str) -> bool:
    """Whether a label is named for the end of what is before it; the limit of a stack is its lowest address."""
    return is_end(name) and not ("stack" in name.lower() and "lim" in name.lower())


RULE = Rule(
    name="cleared-data-cleared-whole",
    severity="warning",
    guards="device",
    checks="Each section of cleared data in a core's own RAM that start-up code begins to clear, by the "
    "build's zero table or the usual symbols, is cleared up to the last object in it, and each section that is "
    "named as cleared data (.bss, COMMON, ZI), or any with objects where start-up code copies data and clears none, is "
    "cleared at all; sections whose names say that they keep their content, heaps, stacks, and what code gives a "
    "device by its begin and its end or size are left alone.",
    why="The language promises that variables without an initial value start as zero. Those after the end of the "
    "block start with whatever RAM held: zeros in the laboratory after a long pause without power, anything "
    "after a reset in the field.",
    remedy=f"{_END[0].upper()}{_END[1:]}; give what must keep its content a section of its own, such as .noinit.",
    source="ISO/IEC 9899:2011, section 6.7.9, paragraph 10; common practice (tables and symbols of start-up "
    "code); both from memory",
    absent=Reason("no build has sections that it clears, by its zero table or the usual symbols"),
    check=check,
    of_elf=True,
)
