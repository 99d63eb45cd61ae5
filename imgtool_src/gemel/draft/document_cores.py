"""The cores of a draft: what each must be to run its build, and the questions about it."""

from __future__ import annotations

from gemel.draft.drafting import Draft
from gemel.draft.evidence import Evidence
from gemel.draft.guesses import MEMORY_START
from gemel.draft.page import ASK, Page
from gemel.draft.vector_remarks import misaligned_words, vector_offset
from gemel.m_profile.architectures import EXTENSIONS_OF
from gemel.spans import align_down, format_address, merge, without

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
