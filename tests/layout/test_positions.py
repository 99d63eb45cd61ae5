"""The line of a key, for every way TOML can write one (TOML 1.0.0, toml.io)."""

from __future__ import annotations

import time
import tomllib
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from layout.reading import line_of, problems
from seconds import pace
from small_device import LAYOUT

from gemel.layout.kinds import KeyPath
from gemel.layout.positions import lines_of

TEXT = '''\
# a comment with [brackets] and = signs
top = 1
dotted.inner.key = 2   # [not.a.header]

[table]
'quoted key' = 3
"with \\u0061 escape" = """
[not.a.header]
key = "inside"
"""
"dots.in.key" = 'x = 1'
other = \'\'\'
[[neither]]
it''s
\'\'\'

[table.inner]
list = [
  1,
  # between
  2, 3,

  [ 4,
    5 ],
]
inline = { a = 1, b.c = { d = "}" }, e = [ { f = 1 },
  { f = 2 } ] }
date = 1979-05-27 07:32:00
after = 0

[[array]]
name = "first"
[array.sub]
x = 11

[[array]]
name = "second"
[[array.deep]]
y = 1
[[array.deep]]
y = 22
[array.sub]
x = 22

[late.child]
z = 1
[late]
w = 1
'''
# An inline table on two lines is not TOML 1.0, but the list inside it may break the line.

PLACES: list[tuple[KeyPath, str]] = [
    (("top",), "top = 1"),
    (("dotted",), "dotted.inner"),
    (("dotted", "inner"), "dotted.inner"),
    (("dotted", "inner", "key"), "dotted.inner"),
    (("table",), "[table]"),
    (("table", "quoted key"), "'quoted key'"),
    (("table", "with a escape"), "escape"),
    (("table", "dots.in.key"), '"dots.in.key"'),
    (("table", "other"), "other = "),
    (("table", "inner"), "[table.inner]"),
    (("table", "inner", "list"), "list = ["),
    (("table", "inner", "list", 0), "  1,"),
    (("table", "inner", "list", 1), "  2, 3"),
    (("table", "inner", "list", 2), "  2, 3"),
    (("table", "inner", "list", 3), "  [ 4"),
    (("table", "inner", "list", 3, 0), "  [ 4"),
    (("table", "inner", "list", 3, 1), "    5 ]"),
    (("table", "inner", "inline", "a"), "inline ="),
    (("table", "inner", "inline", "b", "c", "d"), "inline ="),
    (("table", "inner", "inline", "e", 0, "f"), "inline ="),
    (("table", "inner", "inline", "e", 1), "  { f = 2"),
    (("table", "inner", "inline", "e", 1, "f"), "  { f = 2"),
    (("table", "inner", "date"), "date ="),
    (("table", "inner", "after"), "after ="),
    (("array",), "[[array]]"),
    (("array", 0), "[[array]]"),
    (("array", 0, "name"), '"first"'),
    (("array", 0, "sub", "x"), "x = 11"),
    (("array", 1, "name"), '"second"'),
    (("array", 1, "deep", 0, "y"), "y = 1"),
    (("array", 1, "deep", 1, "y"), "y = 22"),
    (("array", 1, "sub", "x"), "x = 22"),
    (("late", "child"), "[late.child]"),
    (("late",), "[late]"),
]


def line_with(piece: str, text: str = TEXT) -> int:
    """The first line that holds ``piece``."""
    return next(number for number, line in enumerate(text.split("\n"), 1) if piece in line)


@pytest.mark.parametrize(("path", "piece"), PLACES, ids=str)
def test_the_line_holds_the_key(path: KeyPath, piece: str) -> None:
    """Headers, dotted keys, quoted keys, inline tables, lists and arrays of tables each have their line."""
    assert lines_of(TEXT, [path]) == [line_with(piece)]


def test_all_at_once_is_as_one_by_one() -> None:
    """Lines asked for together are those asked for singly."""
    paths = [path for path, _ in PLACES]
    assert lines_of(TEXT, paths) == [lines_of(TEXT, [path])[0] for path in paths]


def test_the_second_entry_of_an_array_of_tables_has_its_own_header() -> None:
    """An entry's line is its own header, not the first one's."""
    first, second = lines_of(TEXT, [("array", 0), ("array", 1)])
    assert TEXT.split("\n")[second - 1] == "[[array]]"
    assert second > first


def test_what_is_not_in_the_text_is_given_by_its_parent() -> None:
    """A missing key points at its table, a missing table at its parent, and nothing at all at line 1."""
    asked: list[KeyPath] = [("array", 1, "missing"), ("table", "none", "deeper"), ("gone",), ()]
    assert lines_of(TEXT, asked) == [line_with('"second"') - 1, line_with("[table]"), 1, 1]


@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
def test_line_ends_and_byte_order_mark_do_not_move_lines(end: str, mark: bytes) -> None:
    """With CRLF and with a byte order mark the reader points at the same line."""
    text = LAYOUT.replace("write_unit = 8", "write_unit = true")
    (problem,) = problems(mark + text.replace("\n", end).encode())
    assert line_of(problem) == line_with("write_unit", text)


@pytest.mark.parametrize("character", ["\u2028", "\u2029", "\x85"])
def test_only_the_line_ends_of_toml_count(character: str) -> None:
    """Characters that other tools take for line ends, in comments, do not move lines."""
    text = f"# one{character}line\n" + LAYOUT.replace("write_unit = 8", "write_unit = true")
    (problem,) = problems(text)
    assert line_of(problem) == line_with("write_unit", text)


KEYS = st.sampled_from(["a", "b", "key", "a-b", "1", "\u00e9", "a.b", "x y", 'q"', "#", "[", "\t"])
SCALARS = st.sampled_from(
    [
        "1",
        "true",
        '"]}#,"',
        "'''\n[a]\n'''",
        '"""\nkey = 1\n"""',
        "1.5",
        "2027-06-30 07:32:00",
        '"""a""""',
        "''",
    ]
)


def written(key: str) -> str:
    """The key as TOML writes it."""
    if key.isascii() and key.replace("-", "").isalnum():
        return key
    escaped = key.replace("\\", "\\\\").replace('"', '\\"').replace("\t", "\\t")
    return f'"{escaped}"'


def values(depth: int = 2) -> st.SearchStrategy[str]:
    """Values as text, lists over several lines and inline tables among them."""
    if depth == 0:
        return SCALARS
    inner = values(depth - 1)
    one_line = inner.filter(lambda text: "\n" not in text)
    lists = st.lists(inner, max_size=3).map(lambda items: "[\n# c ]\n" + ",\n ".join(items) + " ]")
    tables = st.dictionaries(KEYS, one_line, max_size=3).map(
        lambda items: "{ " + ", ".join(f"{written(key)} = {value}" for key, value in items.items()) + " }"
    )
    return st.one_of(SCALARS, lists, tables)


STATEMENTS = st.one_of(
    st.tuples(st.lists(KEYS, min_size=1, max_size=3), values()).map(
        lambda pair: f"{' . '.join(map(written, pair[0]))} = {pair[1]}"
    ),
    st.lists(KEYS, min_size=1, max_size=3).map(lambda path: f"[ {'.'.join(map(written, path))} ] # ["),
    st.lists(KEYS, min_size=1, max_size=3).map(lambda path: f"[[{'.'.join(map(written, path))}]]"),
    st.sampled_from(["", "# comment = 1", "   "]),
)


@st.composite
def documents(draw: st.DrawFn) -> str:
    """TOML texts: random statements, each kept only while the whole is valid."""
    text = ""
    for statement in draw(st.lists(STATEMENTS, min_size=1, max_size=12)):
        try:
            tomllib.loads(text + statement + "\n")
        except tomllib.TOMLDecodeError:
            continue
        text += statement + "\n"
    return text


def paths_in(value: Any, path: KeyPath = ()) -> list[KeyPath]:
    """Every path of a parsed document."""
    steps: Any = (
        value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    )
    return [found for step, inner in steps for found in [(*path, step), *paths_in(inner, (*path, step))]]


def holds(text: str, path: KeyPath) -> bool:
    """Whether the parser sees ``path`` in ``text``."""
    node: Any = tomllib.loads(text)
    for step in path:
        if isinstance(node, list):
            if not isinstance(step, int) or step >= len(node):
                return False
        elif not isinstance(node, dict) or step not in node:
            return False
        node = node[step]
    return True


@settings(max_examples=400, deadline=None)
@given(documents())
def test_the_line_is_in_the_statement_that_brings_the_key(text: str) -> None:
    """To the standard library's parser the key is not there without the statement that was found.

    A table's own header may follow its first mention; then the header is the line found.
    """
    statements = _statements(text)
    for path in paths_in(tomllib.loads(text)):
        (line,) = lines_of(text, [path])
        start, end = next((start, end) for start, end in statements if start < line <= end)
        lines = text.split("\n")
        assert holds("\n".join(lines[:end]), path)
        if lines[line - 1].lstrip().startswith("[") and end - start == 1:
            last = [step for step in path if isinstance(step, str)][-1]
            assert written(last) in lines[line - 1]
        else:
            assert not holds("\n".join(lines[:start]), path)


@settings(max_examples=200, deadline=None)
@given(documents())
def test_every_key_of_the_parser_has_a_line_of_its_own(text: str) -> None:
    """No path of the document is missed, so that none falls back to its parent."""
    from gemel.layout.positions import _Walk

    paths = paths_in(tomllib.loads(text))
    walk = _Walk(text, set(paths))
    walk.document()
    assert set(walk.lines) == set(paths)


def _statements(text: str) -> list[tuple[int, int]]:
    """First line (from 0) and line behind each statement: the shortest pieces that the parser takes."""
    lines = text.split("\n")
    found, start = [], 0
    for end in range(1, len(lines) + 1):
        try:
            tomllib.loads("\n".join(lines[:end]))
        except tomllib.TOMLDecodeError:
            continue
        found.append((start, end))
        start = end
    return found


def test_hundreds_of_lines_cost_what_one_does() -> None:
    """Finding 100 lines in a text of 1 MiB takes no longer than parsing it a few times."""
    text = "".join(
        f'[[stamp]]\nname = "stamp-{index}"\nat = {{ area = "a", offset = [1, 2] }}\n'
        for index in range(17_000)
    )
    begin = time.process_time()
    tomllib.loads(text)
    parsing = time.process_time() - begin
    paths: list[KeyPath] = [("stamp", index, "at", "offset", 1) for index in range(0, 17_000, 170)]
    begin = time.process_time()
    assert lines_of(text, paths) == [3 * index + 3 for index in range(0, 17_000, 170)]
    assert time.process_time() - begin < (5 * parsing + 5) * pace()
