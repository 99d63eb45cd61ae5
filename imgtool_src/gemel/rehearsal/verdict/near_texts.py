"""Lines that a core sent and that a goal's text may have been meant to be: equal but for letters of a word or two."""

from __future__ import annotations

from collections.abc import Iterable

SHORT = 6
"""Characters of a word in which one is other at most; of a longer one two."""

SHORTEST = 3
"""Characters of a word that is another one as soon as a letter is other: "on" is not "no"."""

MARKS = ".,:;!?"
"""What may be next to a word."""

MOST_WORDS = 2
"""Words that differ in one text at most."""


def near_text(sought: str, lines: Iterable[str]) -> str:
    """What one of ``lines`` has in place of ``sought``; empty where none is nearly equal.

    Other spaces are near; other digits, or another word, are another value, and no misspelling.
    """
    words = sought.split()
    for line in dict.fromkeys(lines):
        sent = line.split()
        if words and "".join(words) in "".join(sent):
            return line
        for first in range(len(sent) - len(words) + 1) if words else ():
            part = sent[first : first + len(words)]
            pairs = [(word.strip(MARKS), found.strip(MARKS)) for word, found in zip(words, part, strict=True)]
            other = [(word, found) for word, found in pairs if word != found]
            if len(other) <= MOST_WORDS and all(_is_near(word, found) for word, found in other):
                return " ".join(part)
    return ""


def _is_near(word: str, other: str) -> bool:
    if list(filter(str.isdigit, word)) != list(filter(str.isdigit, other)):
        return False
    if word.casefold() == other.casefold():
        return True
    from difflib import SequenceMatcher

    steps = SequenceMatcher(None, word, other, autojunk=False).get_opcodes()
    changed = sum(
        max(last - first, end - start) for step, first, last, start, end in steps if step != "equal"
    )
    return changed <= (1 if len(word) <= SHORT else 2) and min(len(word), len(other)) > SHORTEST
