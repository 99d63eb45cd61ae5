"""A draft as the text of a layout: every key with the reason for its value, and questions for the rest."""

from __future__ import annotations

from collections.abc import Mapping

from gemel.draft.document_devices import write_devices
from gemel.draft.document_proofs import write_checksums, write_contracts, write_record
from gemel.draft.drafting import Draft
from gemel.draft.embedded import copies_in
from gemel.draft.evidence import Evidence
from gemel.draft.guesses import MEMORY_START, AreaGuess, MemoryGuess
from gemel.draft.page import ASK, Page, listed, size_words
from gemel.draft.security import CALLABLE
from gemel.draft.separate_ram import views_of
from gemel.draft.svd import Peripheral
from gemel.draft.vector_remarks import before_vectors, misaligned_words, vector_offset
from gemel.layout.reference import SCHEMA_FILE
from gemel.m_profile.architectures import EXTENSIONS_OF
from gemel.spans import align_down, format_address, merge, without
from gemel.text.escaping import toml_string

OPTIONAL = {"mpu": 'an MPU ("mpu")', "security": 'the security extension ("security")'}
"""Extensions that may leave no trace in a build."""


def write_core(page: Page, draft: Draft, seen: Evidence) -> None:
    """The core that runs a build and those that call it."""
    core = draft.cores[seen.name]
    primary = seen.name == draft.primary.name
    page.table(f"core.{draft.core_name(seen.name)}")
    if primary:
        page.key("role", '"primary"', draft.primary.reason)
    else:
        page.key("role", '"secondary"', f"{draft.core_name(draft.primary.name)} is the primary")
    page.key("architecture", f'"{core.architecture}"', core.architecture_from)
    extensions = ", ".join(f'"{name}"' for name in core.extensions)
    page.key("extensions", f"[{extensions}]", core.extensions_from)
    possible = [name for name in EXTENSIONS_OF[core.architecture] if name not in core.extensions]
    if asked := ", ".join(words for name, words in OPTIONAL.items() if name in possible):
        page.remark(f"{ASK} has it {asked}? No build shows.")
    _perhaps_non_secure(page, draft, seen)
    page.key("interrupts", str(core.interrupts), core.interrupts_from)
    ram = ", ".join(f'"{area.name}"' for area in draft.ram_of(seen.name))
    page.key("ram", f"[{ram}]", "" if ram else "no build shows any")
    for member in draft.members(seen.name):
        _conflicts(page, draft, member)
    areas = draft.stored_in(seen.name)
    if primary and areas:
        vectors = areas[0].span.start + vector_offset(seen, areas[0], draft.runs_in(seen.name))
        if vectors != min(area.span.start for area in areas):
            page.key("reset_vectors", format_address(vectors), "where its vector table is")
    if words := misaligned_words(seen):
        page.remark(words)
    if not primary:
        _release(page, draft, seen)


def _perhaps_non_secure(page: Page, draft: Draft, seen: Evidence) -> None:
    """The question whether a build that calls no gateway runs on the core of a secure one all the same."""
    able = "security" in EXTENSIONS_OF[draft.cores[seen.name].architecture]
    if not able or not draft.security.secure or seen.name in draft.security.secure:
        return
    secure = next(iter(draft.security.secure))
    page.remark(
        f"{ASK} is {seen.name} the non-secure part of {secure}'s core? It calls no gateway. If so, write "
        f'core = "{secure}" in [build.{seen.name}] and security = "non-secure" in its areas, move its ram '
        f"to [core.{secure}], and remove this core."
    )


def _conflicts(page: Page, draft: Draft, seen: Evidence) -> None:
    """RAM that a build named before claims too, and that no common name explains."""
    common = [shared.span for shared in draft.shared]
    goals = draft.security.loaders
    for other in draft.seen[: draft.seen.index(seen)]:
        if goals.get(other.name, other.name) == goals.get(seen.name, seen.name):
            continue  # one after the other
        claims = without(other.ram, common)
        if both := merge(one.intersection(claim) for one in seen.ram for claim in claims):
            spans = ", ".join(map(str, both[:4]))
            start = format_address(align_down(both[0].start, MEMORY_START))
            page.remark(
                f"{ASK} {other.name} claims {spans} too; whose is it? Here {other.name} has it. If each core has RAM "
                f"of its own there, as tightly coupled memories are, add a memory and an area for {seen.name}, its "
                f"start any free address where {other.name} does not see it, with views = {{ {seen.name} = {start} }}, "
                f"and give {other.name}'s memory a view at another address for {seen.name}; nothing is shared then."
            )


def _release(page: Page, draft: Draft, seen: Evidence) -> None:
    """The release as a block to be filled in: no build says which registers these are."""
    page.blank()
    page.remark(
        f"How {draft.primary.name} releases {seen.name}. No build shows it; fill in and remove the #:"
    )
    page.lines.append(f"# [core.{draft.core_name(seen.name)}.release]")
    page.unset("vector_register", "", f"which register takes the address of {seen.name}'s vector table?")
    page.unset("control_register", "", f"which register holds {seen.name} in reset, and releases it?")
    page.unset("release_mask", "", "which of its bits matter?")
    page.unset("release_value", "", f"what do these bits read while {seen.name} runs?")


def document(
    draft: Draft, paths: Mapping[str, str], peripherals: tuple[Peripheral, ...] = (), svd: str = ""
) -> str:
    """The layout as text; ``paths`` are the builds' files as the layout shall name them, if it shall.

    ``peripherals`` are those of the device by the file ``svd``.
    """
    page = Page()
    _head(page, draft)
    _memories(page, draft)
    for seen in draft.seen:
        if seen.name in draft.cores:
            write_core(page, draft, seen)
    _areas(page, draft)
    _builds(page, draft, paths)
    write_contracts(page, draft)
    write_checksums(page, draft)
    write_record(page, draft)
    if svd:
        write_devices(page, draft, peripherals, svd)
    return page.text()


def _head(page: Page, draft: Draft) -> None:
    page.lines.append(f"#:schema ./{SCHEMA_FILE}")
    files = listed([f"{seen.name} ({seen.file})" for seen in draft.seen])
    page.remark(f"A first layout, drafted by gemel from the builds {files}.")
    page.remark(
        "Next to each value is what it was guessed from. Compare every one with the data sheet, and "
        f'answer the lines that begin with "{ASK}"; `gemel explain layout` says what each key means. '
        f"Editors take the first line: `gemel export schema -o {SCHEMA_FILE}` writes the file that it names."
    )
    flat = [seen for seen in draft.seen if seen.build.kind != "elf"]
    for file in dict.fromkeys(seen.file for seen in flat):
        names = listed([seen.name for seen in flat if seen.file == file])
        page.remark(
            f"{file} is no ELF file: it has no RAM, no symbols and no architecture, so much about {names} "
            f"is guessed from vector tables alone. An ELF file shows more."
        )
    for seen in draft.seen:
        if seen.build.kind == "elf" and seen.vectors is None:
            page.remark(f"No vector table was found in {seen.file}: no core can start from it.")
    page.blank()
    page.key("format", "1")
    if draft.recorded:
        record, source = draft.recorded.record, f"the record of {draft.recorded.file}"
        page.key("product", toml_string(record.product), source)
        page.key("version", f'"{record.version}"', source)
        page.key("rollback", str(record.rollback), source)
        return
    product = "-".join(seen.name for seen in draft.seen)[:31]
    page.key("product", f'"{product}"', f"from the builds' names; {ASK} what is the product called?")
    page.key("version", '"0.1.0"', "a guess; the command line's --version overrides it")


def _memories(page: Page, draft: Draft) -> None:
    for memory in draft.places.memories:
        page.table(f"memory.{memory.name}")
        page.key("kind", f'"{memory.kind}"')
        page.key("start", format_address(memory.span.start), memory.start_from)
        page.key("size", size_words(memory.span.size), memory.size_from)
        if memory.aliases:
            aliases = ", ".join(map(format_address, memory.aliases))
            page.key("aliases", f"[{aliases}]", _alias_words(draft, memory))
        if memory.kind == "flash":
            page.unset("erase_block", '"4 KiB"', "how much is erased at once?")
            page.unset("write_unit", "8", "how many bytes are programmed at once?")
        _views(page, draft, memory)


def _alias_words(draft: Draft, memory: MemoryGuess) -> str:
    low = [user for user in memory.users if user in draft.security.callers]
    high = dict.fromkeys(draft.security.callers[user] for user in low)
    return (
        f"a guess: {listed(high)} uses it with bit 28 of its addresses set, {listed(low)} with it clear; "
        f"{ASK} is it one memory?"
    )


def _views(page: Page, draft: Draft, memory: MemoryGuess) -> None:
    """The question of other addresses, where a secondary alone uses a memory by an address of its own."""
    views = {draft.core_name(name): start for name, start in views_of(list(draft.seen), memory.span).items()}
    if views:
        words = ", ".join(f"{name} = {format_address(start)}" for name, start in views.items())
        page.key(
            "views",
            f"{{ {words} }}",
            f"a guess: both cores have variables and stack there; {ASK} has each RAM of its own at that address?",
        )
        return
    users = list(dict.fromkeys(map(draft.security.core_of, memory.users)))
    if memory.kind != "ram" or draft.primary.name in users or not users:
        return
    for user in users[:1]:
        name = draft.core_name(user)
        question = f"has {draft.primary.name} another address for it? Then start is that, and this a view:"
        page.unset("views", f"{{ {name} = {format_address(memory.span.start)} }}", question)


def _areas(page: Page, draft: Draft) -> None:
    starts = {memory.name: memory.span.start for memory in draft.places.memories}
    for area in draft.places.areas:
        page.table(f"area.{area.name}", str(area.span))
        page.remark(f"guessed from: {area.reason}")
        page.key("memory", f'"{area.memory}"')
        page.key("offset", size_words(area.span.start - starts[area.memory]))
        page.key("size", size_words(area.span.size))
        page.key("purpose", f'"{area.purpose}"')
        if area.security:
            page.key("security", f'"{area.security}"', _security_words(draft, area))


def _security_words(draft: Draft, area: AreaGuess) -> str:
    if area.owner in draft.security.secure and area.security != CALLABLE:
        return draft.security.secure[area.owner]
    return draft.security.calls.get(area.owner, "")


def _builds(page: Page, draft: Draft, paths: Mapping[str, str]) -> None:
    for seen in draft.seen:
        areas = draft.stored_in(seen.name)
        page.table(f"build.{seen.name}")
        page.key("core", f'"{draft.core_name(seen.name)}"', draft.security.calls.get(seen.name, ""))
        page.key("stored_in", f'"{areas[0].name}"')
        if further := ", ".join(f'"{area.name}"' for area in areas[1:]):
            veneers = all(area.security == CALLABLE for area in areas[1:])
            page.key(
                "also_stored_in", f"[{further}]", "its veneers" if veneers else "its other bytes are apart"
            )
        _copies(page, draft, seen)
        if (runs := draft.runs_in(seen.name)) is not None:
            page.key("runs_in", f'"{runs.name}"', _runs_from(seen))
            named = f'{{ build = "{draft.primary.name}", source = "", destination = "", length = "" }}'
            page.unset(
                "copied_by", named, "which constants hold from where, to where and how much it copies?"
            )
        if offset := vector_offset(seen, areas[0], runs):
            page.key("vector_offset", f"0x{offset:X}", "its vector table is not at the start of its area")
            for words in before_vectors(seen, areas[0]):
                page.remark(words)
        if seen.name in paths:
            page.key("path", toml_string(paths[seen.name]), "relative to this file")


def _copies(page: Page, draft: Draft, seen: Evidence) -> None:
    """Copies of other builds in one: at their place, which the draft gives to them, and elsewhere."""
    for other in draft.seen:
        if other is seen or seen.without_place:
            continue
        copies = copies_in(seen, other)
        inside = [span for span in copies if any(span.overlaps(own) for own in other.stored)]
        if inside:
            page.remark(
                f"It holds a copy of {other.name} at {inside[0]}, which must equal {other.name} itself."
            )
        elif copies:
            page.remark(
                f"It holds a copy of {other.name} at {copies[0]} too, next to {other.name}'s own place. "
                f"{ASK} which of the two does {other.name} start from? The other one may become stale."
            )
        both = without(seen.stored, without(seen.stored, other.stored))
        if both and not inside and draft.seen.index(seen) < draft.seen.index(other):
            spans = ", ".join(map(str, both[:4]))
            page.remark(
                f"{ASK} {other.name} stores bytes at {spans} too, and it is no copy; whose place is it? Here "
                f"{other.name} has it."
            )


def _runs_from(seen: Evidence) -> str:
    if seen.build.kind != "elf":
        return "its vector table points there; the exact place is a guess"
    if seen.kept:
        return f"linked for {format_address(seen.first.run_address)}; {seen.kept.holder} holds its bytes, to copy them"
    if seen.without_place:
        return f"linked for {format_address(seen.first.run_address)}, without a place in flash"
    stored, runs = seen.first.load_address, seen.first.run_address
    return f"stored at {format_address(stored)}, linked to run at {format_address(runs)}"
