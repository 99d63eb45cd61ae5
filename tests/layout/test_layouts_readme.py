"""layouts/README.md: every example is read, every message is the real one, no key is forgotten."""

from __future__ import annotations

import re
from itertools import chain

import pytest
from layout import readme_examples
from layout.reading import read
from layout.readme_examples import README, completed, examples, told_of

from gemel.layout.kinds import Choice, ValueType
from gemel.layout.model import Layout
from gemel.layout.tables import Either, ListOf, MapOf, Table

WHOLE, *PIECES = examples()
SOUND = [piece for piece in PIECES if not piece.told]
FAULTY = [piece for piece in PIECES if piece.told]


def test_the_smallest_layout_is_whole_and_small() -> None:
    """The first example is a layout by itself: two cores, two builds, under 45 lines."""
    layout = read(WHOLE.toml).layout
    assert (len(layout.cores), len(layout.builds)) == (2, 2)
    assert WHOLE.toml.count("\n") < 45


@pytest.mark.parametrize("piece", SOUND, ids=lambda piece: piece.name)
def test_every_piece_is_read_behind_the_smallest_layout(piece: readme_examples.Example) -> None:
    """Nothing is told of a sound piece, and it says something that the smallest layout does not."""
    text = completed(piece.toml, WHOLE.toml)
    assert told_of(text) == ""
    assert read(text).layout != read(WHOLE.toml).layout


@pytest.mark.parametrize("piece", FAULTY, ids=lambda piece: piece.name)
def test_every_message_is_the_one_that_is_printed(piece: readme_examples.Example) -> None:
    """What the README shows of a faulty piece is what a command prints of it."""
    assert told_of(completed(piece.toml, WHOLE.toml)) == piece.told


def test_there_are_pieces_of_both_kinds_and_the_generator_leaves_the_page_alone() -> None:
    """The page is as its generator leaves it."""
    assert len(SOUND) > 10
    assert len(FAULTY) == 3
    text = README.read_text(encoding="utf-8")
    assert readme_examples.rewritten(text) == text


def kinds_in(kind: ValueType) -> list[ValueType]:
    """A kind and all that it holds."""
    inner: list[ValueType] = []
    if isinstance(kind, ListOf | MapOf):
        inner = [kind.item]
    elif isinstance(kind, Either):
        inner = list(kind.kinds)
    elif isinstance(kind, Table):
        inner = [key.kind for _, key in kind.keys.values()]
    return [kind, *chain.from_iterable(kinds_in(each) for each in inner)]


def test_every_key_and_every_word_of_the_language_is_on_the_page() -> None:
    """No key of the model and no word of a choice is left out."""
    text = README.read_text(encoding="utf-8")
    all_kinds = kinds_in(Table(Layout))
    keys = {name for kind in all_kinds if isinstance(kind, Table) for name in kind.keys}
    words = {word for kind in all_kinds if isinstance(kind, Choice) for word in kind.options}
    assert len(keys) > 60
    assert {key for key in keys if not re.search(rf"(?<![\w-]){key}(?![\w-])", text)} == set()
    assert {word for word in words if not re.search(rf"[`\"]{word}|{word}[`\",]", text)} == set()


def test_the_page_points_at_the_reference_and_the_schema() -> None:
    """Whoever wants every key is sent to the commands that print them."""
    text = README.read_text(encoding="utf-8")
    assert "`gemel explain layout`" in text
    assert "`gemel export schema`" in text


def test_every_layout_beside_the_page_is_named_on_it() -> None:
    """The page links each layout of its folder, and only those."""
    linked = set(re.findall(r"\]\((\S+\.toml)\)", README.read_text(encoding="utf-8")))
    assert linked == {path.name for path in README.parent.glob("*.toml")}
