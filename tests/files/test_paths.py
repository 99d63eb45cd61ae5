"""Paths as text are what ``pathlib`` makes of them."""

from __future__ import annotations

import os
from itertools import product
from pathlib import Path, PurePath

import pytest

from gemel.files.paths import FilePath

TEXTS = ["".join(each) for length in range(8) for each in product("a./", repeat=length)]
"""Every text of up to seven characters in which points and separators stand in every order."""


def test_paths_are_written_and_taken_apart_as_by_pathlib() -> None:
    """Spelling, name, folder, suffix, another suffix and a name added are those of ``PurePath``."""
    for text in TEXTS:
        ours, theirs = FilePath(text), PurePath(text)
        assert ours == str(theirs)
        assert (ours.name, ours.parent) == (theirs.name, str(theirs.parent)), text
        assert ours / "b/../c" == str(theirs / "b/../c"), text
        assert ours / text == str(theirs / text), text
        if theirs.name.endswith("."):  # a suffix since Python 3.14
            assert (ours.suffix, ours.stem) == ("", ours.name)
            continue
        assert (ours.suffix, ours.stem) == (theirs.suffix, theirs.stem), text
        if theirs.name:
            assert ours.with_suffix(".hex") == str(theirs.with_suffix(".hex")), text
            assert ours.with_suffix("") == FilePath(theirs.with_suffix("")), text


@pytest.mark.parametrize("text", ["./tide.hex", "/a//b", "zwei Wörter", "a\0b", "a\nb", "\udc80", "-", "~"])
def test_other_names_stay_what_they_are(text: str) -> None:
    """Blanks, control characters and bytes that are no text are kept, and a path of ``pathlib`` is taken as well."""
    assert FilePath(text) == FilePath(Path(text)) == str(Path(text)) == os.fspath(FilePath(text))
