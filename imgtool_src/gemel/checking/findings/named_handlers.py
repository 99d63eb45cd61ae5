"""Handlers that are named for one exception and stand in the word of another one."""

from __future__ import annotations

from gemel.builds.build import Build
from gemel.inspection.cores.vector_tables import place_of, words_span
from gemel.inspection.inspection import VectorTable
from gemel.m_profile.vector_tables import FIRST_INTERRUPT, handler_names, reserved_words, word_name
from gemel.outcomes import Finding


def misplaced(table: VectorTable, build: Build) -> dict[int, tuple[str, int]]:
    """Words of exceptions that hold a handler with another one's name, which is not in its own word, by their number.

    A function with names of several exceptions is a default handler of theirs; one that is in its own word, too, may
    serve others as well.  That of the last exception may be
    in the word of the first interrupt, where all are a word late: PendSV's is zero then.
    """
    if build.symbols is None:
        return {}
    called: dict[int, dict[int, str]] = {}
    for name, symbol in build.symbols.among(frozenset(handler_names())).items():
        called.setdefault(symbol.value & ~1, {})[handler_names()[name]] = name
    words = [word & ~1 for word in table.words[: FIRST_INTERRUPT + 1]]
    found = {}
    for index, word in enumerate(words[2:], 2):
        names = called.get(word, {})
        is_near = index < FIRST_INTERRUPT or (index - 1 in names and words[15] and not words[14])
        if word and names and is_near and not any(words[number : number + 1] == [word] for number in names):
            found[index] = min(names.items())[::-1]
    return found


def misplaced_finding(table: VectorTable, words: dict[int, tuple[str, int]]) -> Finding:
    """Which handlers are in which words, and the likely mistake in the table."""
    away = {index - number for index, (_, number) in words.items()}
    step = "write the handlers into the table in the order of the exceptions"
    filled = [
        each for each in reserved_words(table.core.architecture) if table.words[each : each + 1] != (0,)
    ]
    if away == {-1} and filled:
        step = f"add a word of zero at word {filled[0]}, which the architecture reserves"
    elif away == {1} and filled:
        step = f"leave out a word before word {min(words)}"
    return Finding(
        f"build {table.plan.name} has handlers in the words of other exceptions",
        (table.plan.name, table.core.name),
        where=place_of(table, *words),
        found=", ".join(f"{name} in word {index} ({word_name(index)})" for index, (name, _) in words.items()),
        expected=", ".join(f"{name} in word {number}" for name, number in words.values()),
        span=words_span(table, [*words]),
        next_step=step,
    )
