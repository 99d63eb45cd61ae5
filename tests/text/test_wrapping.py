"""Lines of text are those that the standard library's textwrap makes, which is the judge here."""

from __future__ import annotations

import textwrap
from random import Random

import pytest

from gemel.text.escaping import on_one_line
from gemel.text.wrapping import first_of, wrapped

PARTS = ("a", "bb", "of-one", "-", " ", " ", " ", "  ", "0x1000_0000..0x1000_0FFF", "\t", "\n", "ä")


def test_lines_are_those_of_the_standard_library() -> None:
    """Texts with spaces in any number at any place, words longer than a line, heads and indents."""
    random = Random(5)
    for _ in range(4000):
        text = "".join(random.choices(PARTS, k=random.randrange(40)))
        width, head, indent = random.randrange(1, 40), random.choice(("", "x ", "  - ")), random.randrange(4)
        expected = textwrap.wrap(
            on_one_line(text),
            width,
            initial_indent=head,
            subsequent_indent=" " * (len(head) + indent),
            break_long_words=False,
            break_on_hyphens=False,
        )
        assert wrapped(text, width, head, indent) == expected, (text, width, head, indent)


@pytest.mark.parametrize(
    ("count", "expected"),
    [(0, ""), (1, "0"), (3, "0, 1, 2"), (4, "0, 1, 2 and 1 more"), (1500, "0, 1, 2 and 1,497 more")],
)
def test_a_list_is_whole_up_to_what_there_is_room_for(count: int, expected: str) -> None:
    """Nothing, one, as many as there is room for, one more, and thousands more."""
    assert first_of(range(count), 3) == expected
