"""What every command prints on terminals of 60, 80 and 160 columns is as stored, and fits."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from cli.make_captures import CAPTURES, CASES, WIDTHS, captured, make_folder

from gemel.cli.catalogue import COMMANDS
from gemel.text.styled import width_of

WHOLE = re.compile(r"\b[0-9a-f]{64}$|\.(pem|toml|hex|elf)\b|0x[0-9A-F]{4}_[0-9A-F]{4}\.\.")
"""Lines that keep to no width: whole digests, paths, one line an image, generated files."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's files, with images and a key."""
    made = tmp_path_factory.mktemp("captures")
    make_folder(made)
    return made


@pytest.mark.parametrize("name", CASES)
def test_as_stored(name: str, folder: Path) -> None:
    """Each command prints what is stored; ``make_captures.py`` makes it anew."""
    stored = (CAPTURES / f"{name}.txt").read_text(encoding="utf-8")
    parts = re.split(r"^=== (\d+) columns, exit code (\d+)\n", stored, flags=re.MULTILINE)
    assert parts[0] == f"$ gemel {' '.join(CASES[name])}\n"
    for width, code, text in zip(parts[1::3], parts[2::3], parts[3::3], strict=True):
        words = tuple(word.format(width=width) for word in CASES[name])
        assert captured(words, int(width), folder) == (text, int(code))
        if CASES[name][0] != "export":
            lines = [line for line in text.splitlines() if not WHOLE.search(line)]
            assert [line for line in lines if width_of(line) > int(width)] == []
    assert tuple(map(int, parts[1::3])) == WIDTHS


def test_nothing_is_left_out() -> None:
    """Every command is captured; no capture is left of no case."""
    assert {words[0] for words in CASES.values()} == set(COMMANDS) | {"joni"}
    assert {path.stem for path in CAPTURES.glob("*.txt")} == set(CASES)


@pytest.mark.parametrize(
    "name", ["check", "check-received", "check-broken", "join-written", "sign", "rehearse"]
)
def test_identity_first_verdict_last(name: str) -> None:
    """The image is named in the first line, then come findings, then what was not checked; the verdict ends it."""
    stored = (CAPTURES / f"{name}.txt").read_text(encoding="utf-8")
    text = stored.partition("=== 80 columns")[2].partition("\n")[2].partition("=== 160")[0]
    lines = text.splitlines()
    assert re.match(r"(tide|sealed|again|signed)\.hex: tide-gauge 1\.4\.2, rollback counter 3$", lines[0])
    marks = [
        r"^  tool      gemel ",
        r"^(BROKEN|error) ",
        r"^(not checked|limits): ",
        r"^(rehearsal )?(PASS|FAIL)",
    ]
    at = [next((number for number, line in enumerate(lines) if re.match(mark, line)), -1) for mark in marks]
    found = [number for number in at if number >= 0]
    assert found == sorted(found)
    assert at[0] > 0
    assert at[3] >= len(lines) - 2
