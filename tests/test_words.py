"""Plain present-day English: no word of ``words.txt`` is in a message, help, rule, page, docstring or comment."""

from __future__ import annotations

import ast
import re
import tokenize
from collections.abc import Iterator
from io import StringIO
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).parents[1]
SOURCE = REPOSITORY / "imgtool_src" / "gemel"
PAGES = (
    "README.md",
    "CHANGELOG.md",
    "layouts/README.md",
    *(
        str(path.relative_to(REPOSITORY))
        for form in ("*.md", "page.txt")
        for path in sorted(SOURCE.rglob(form))
    ),
)


def words_out() -> dict[str, str]:
    """Each pattern with what to say instead."""
    lines = (Path(__file__).parent / "words.txt").read_text(encoding="utf-8").splitlines()
    return dict(line.split("\t", 1) for line in lines if line and not line.startswith("#"))


CODE = re.compile(r"``.*?``", re.DOTALL)
"""Names of code in a docstring."""

OUT = re.compile(rf"(?<![\w-])(?:{'|'.join(words_out())})(?![\w-])", re.IGNORECASE)


def texts_of(path: Path) -> Iterator[tuple[int, str]]:
    """The texts of a module with their lines: string literals with a space, docstrings without code, comments."""
    source = path.read_text(encoding="utf-8")
    if not OUT.search(source):
        return
    tree = ast.parse(source)
    docstrings = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and " " in node.value:
            yield node.lineno, CODE.sub("", node.value) if id(node) in docstrings else node.value
    for token in tokenize.generate_tokens(StringIO(source).readline):
        if token.type == tokenize.COMMENT:
            yield token.start[0], token.string


def found(text: str) -> list[str]:
    """The words of ``text`` that are out."""
    return [match[0] for match in OUT.finditer(text)]


@pytest.mark.parametrize(
    "room", sorted(path.name for path in SOURCE.iterdir() if path.name[0] != "_" and path.suffix != ".md")
)
def test_source(room: str) -> None:
    """No string, docstring or comment of a room holds a word of the list."""
    wrong = [
        f"{path.relative_to(REPOSITORY)}:{line}: {word!r} in {text[:60]!r}"
        for path in ([SOURCE / room] if room.endswith(".py") else sorted((SOURCE / room).rglob("*.py")))
        for line, text in texts_of(path)
        for word in found(text)
    ]
    assert wrong == []


@pytest.mark.parametrize("page", PAGES)
def test_pages(page: str) -> None:
    """No page does."""
    lines = (REPOSITORY / page).read_text(encoding="utf-8").splitlines()
    assert [f"{page}:{number}: {word}" for number, line in enumerate(lines, 1) for word in found(line)] == []


def test_the_list_finds_what_it_should() -> None:
    """The patterns find their words, and not words that hold them."""
    assert found("mend it; the file at hand tells it") == ["mend", "at hand", "tells"]
    assert found("recommended, left-behind, retell, amend") == []
