"""How hard a pass phrase is to guess: an estimate from above, to refuse what a search finds in days.

A character counts the logarithm of how many characters its phrase draws from: 26 small letters, 26 capitals, 10
digits, 33 other ASCII characters, 100 of the rest.  What follows from what is before it counts one bit: a character
that repeats, a run of the alphabet, of digits or of a keyboard's row, three characters that were there before.  A word
that everybody tries counts eight bits.  Words of a language count for more than they are worth, so the limit is
above what a search needs.
"""

from __future__ import annotations

import math
import re

MIN_BITS = 60
"""Far from what can be searched, since each guess takes 600,000 rounds of PBKDF2 (common practice)."""

_KINDS = ((26, "[a-z]"), (26, "[A-Z]"), (10, "[0-9]"), (33, "[ -/:-@\\[-`{-~]"), (100, "[^ -~]"))
_ROWS = (
    "abcdefghijklmnopqrstuvwxyz",
    "01234567890",
    "qwertyuiop",
    "asdfghjkl",
    "zxcvbnm",
    "qwertz",
    "azerty",
)
_TRIED = (
    "correct.?horse.?battery.?staple|pass.?phrase|p[a4@][s5$]{2}w[o0]rd|letmein|iloveyou|welcome|changeme|default|"
    "release|signing|firmware|secret|master|monkey|dragon|admin|login|access|summer|winter|spring|autumn|gemel"
)
_BITS_OF_A_WORD = 8.0


def bits_to_guess(phrase: bytes) -> int:
    """About how many bits a search has to try; too many rather than too few."""
    text = phrase.decode("utf-8", "replace")
    each = math.log2(sum(count for count, kind in _KINDS if re.search(kind, text)) or 1)
    plain, words = re.subn(_TRIED, "\0", text.lower())
    bits = _BITS_OF_A_WORD * words
    for index, char in enumerate(plain):
        if char != "\0":
            bits += 1.0 if _follows(plain, index) else each
    return int(bits)


def _follows(text: str, index: int) -> bool:
    """Whether a character follows from those before it."""
    pair, three = text[max(0, index - 1) : index + 1], text[max(0, index - 2) : index + 1]
    if len(pair) == 2 and (pair[0] == pair[1] or any(pair in row or pair in row[::-1] for row in _ROWS)):
        return True
    return len(three) == 3 and three in text[:index]
