"""What users read is in plain present-day English: no word of ``words.txt`` is in a message, help, rule or page."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).parents[1]
SOURCE = REPOSITORY / "imgtool_src" / "gemel"
PAGES = (
    "README.md",
    "CHANGELOG.md",
    "layouts/README.md",
    *(str(path.relative_to(REPOSITORY)) for path in sorted(SOURCE.rglob("*.md"))),
)


def words_out() -> dict[str, str]:
    """Each pattern with what to say instead."""
    lines = (Path(__file__).parent / "words.txt").read_text(encoding="utf-8").splitlines()
    return dict(line.split("\t", 1) for line in lines if line and not line.startswith("#"))


OUT = re.compile(rf"(?<![\w-])(?:{'|'.join(words_out())})(?![\w-])", re.IGNORECASE)


def texts_of(path: Path) -> Iterator[tuple[int, str]]:
    """The string literals of a module with their lines: messages, help and pages; of docstrings those of commands.

    Words of one letter case without a space are keys and names, not texts.
    """
    tree = ast.parse(path.read_text(encoding="utf-8"))
    docstrings = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef)
        and node.body
        and isinstance(node.body[0], ast.Expr)
        and not (isinstance(node, ast.FunctionDef) and node.name == "command" and "commands" in path.parts)
    }
    after = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)} - docstrings
    commands = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, ast.FunctionDef) and node.name == "command" and isinstance(node.body[0], ast.Expr)
    }
    for node in ast.walk(tree):
        if not (isinstance(node, ast.Constant) and isinstance(node.value, str) and " " in node.value):
            continue
        if id(node) not in docstrings and (id(node) not in after or id(node) in commands):
            yield node.lineno, node.value


def found(text: str) -> list[str]:
    """The words of ``text`` that are out."""
    return [match[0] for match in OUT.finditer(text)]


@pytest.mark.parametrize(
    "room", sorted(path.name for path in SOURCE.iterdir() if path.is_dir() and path.name[0] != "_")
)
def test_messages_and_help(room: str) -> None:
    """No string that a room prints holds a word of the list."""
    wrong = [
        f"{path.relative_to(REPOSITORY)}:{line}: {word!r} in {text[:60]!r}"
        for path in sorted((SOURCE / room).rglob("*.py"))
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
