"""Rule ``handlers-at-function-starts``: every vector leads to the start of a function."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.builds.build import Build
from gemel.checking.findings.build_evidence import of_each_table
from gemel.checking.findings.handler_words import words_of_no_table
from gemel.checking.findings.named_handlers import misplaced, misplaced_finding
from gemel.checking.rule import Rule
from gemel.inspection.code.code_starts import Inside, inside_of
from gemel.inspection.cores.vector_tables import place_of, words_span
from gemel.inspection.cores.views import described_word, runs_from
from gemel.inspection.inspection import Inspection, VectorTable
from gemel.inspection.wording import needs_elf
from gemel.m_profile.vector_tables import reserved_words
from gemel.outcomes import Finding, Holds, Need, NotChecked, Outcome, Reason


@of_each_table
def check(inspection: Inspection, table: VectorTable) -> Iterator[Outcome]:
    """One outcome for each build, or one for each function that words of its table lead into."""
    name = table.plan.name
    build = inspection.builds.get(name)
    if build is None or build.symbols is None:
        if unlikely := _unlikely(inspection, name):
            yield from unlikely
            return
        yield NotChecked(
            f"build {name}",
            needs_elf(name, build, "symbols") or Reason("it has no symbols", Need("symbol", build=name)),
        )
        return
    faults = _words_inside(inspection, table, build)
    for inside, indices in faults.items():
        yield _finding(inspection, table, inside, indices)
    if others := misplaced(table, build):
        yield misplaced_finding(table, others)
    elif not faults:
        yield Holds(f"build {name}")


def _unlikely(inspection: Inspection, name: str) -> list[Finding]:
    """What ``_implausible`` finds of a build, worked out for it alone: the next image may differ in another."""
    found: list[Finding] = inspection.kept(
        f"implausible handlers of {name}",
        lambda each: list(_implausible(each, table)) if (table := each.vector_table(name)) else [],
    )
    return found


def _implausible(inspection: Inspection, table: VectorTable) -> Iterator[Finding]:
    """Findings for words of an image alone that lead to what is no code."""
    from gemel.inspection.cores.implausible_handlers import implausible_handlers

    skipped = {0, *reserved_words(table.core.architecture), *words_of_no_table(inspection, table)}
    words = [0 if index in skipped else word for index, word in enumerate(table.words)]
    odd = [word for word in dict.fromkeys(words) if word & 1]
    for word, there in implausible_handlers(inspection, table, odd).items():
        same = [index for index, each in enumerate(words) if each == word]
        yield Finding(
            f"a {'reset handler' if same == [1] else 'handler'} of build {table.plan.name} is at {there}",
            (table.plan.name, table.core.name),
            where=place_of(table, *same),
            found=described_word(inspection, table.core.name, word),
            expected="an address at which code begins",
            span=words_span(table, same),
            follows_from=(
                ("reset-handler-in-code", table.plan.name),
                ("handlers-in-code", place_of(table, *same)),
            ),
        )


def _words_inside(inspection: Inspection, table: VectorTable, build: Build) -> dict[Inside, list[int]]:
    """The words of a table that lead into a function of its build, by the place there."""
    skipped = {*reserved_words(table.core.architecture), *words_of_no_table(inspection, table)}
    places: dict[int, list[int]] = {}
    for index, word in enumerate(table.words):
        if index and index not in skipped and word & 1 and runs_from(inspection, table.placed, word & ~1):
            places.setdefault(word, []).append(index)
    return {inside: indices for word, indices in places.items() if (inside := inside_of(build, word))}


def _finding(inspection: Inspection, table: VectorTable, inside: Inside, indices: list[int]) -> Finding:
    name, core = table.plan.name, table.core.name
    what = "reset handler" if indices == [1] else "handler"
    start = (
        "the start-up code's reset handler"
        if indices == [1] and inside.function == "main"
        else inside.function
    )
    return Finding(
        f"a {what} of build {name} is {inside.words}",
        (name, core),
        where=place_of(table, *indices),
        found=described_word(inspection, core, table.words[indices[0]]),
        expected=f"{start}, or a symbol at that address if it is an entry by design",
        span=words_span(table, indices),
    )


RULE = Rule(
    name="handlers-at-function-starts",
    severity="error",
    guards="device",
    checks="The reset handler and every other handler that is in code of its own build is an address at which "
    "that build's file has a function or a label, not one inside a function of known size, inside an instruction "
    "or among a function's constants; without the file, one at which bytes read as code; none that is named for an "
    "exception is in another one's word and not in its own.",
    why="Past its first instructions a function relies on registers and a stack frame that were never set up: it "
    "returns to anywhere, or pops what was never pushed. Inside an instruction or among constants the core "
    "decodes whatever the bytes happen to mean.",
    remedy="Write the table with the handlers' names, without arithmetic; an entry that skips a prologue by design "
    "gets a label of its own.",
    source="AAELF32, section 'Symbol types' and 'Mapping symbols'; common practice",
    absent="the layout has no build in an area of purpose code",
    check=check,
)
