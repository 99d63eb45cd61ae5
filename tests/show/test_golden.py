"""Stored renderings: what users see, held word by word."""

from __future__ import annotations

import pytest
from show.make_golden import GOLDEN
from shown_images import CASES, digests_apart, rendering

from gemel.text.styled import ASCII, width_of


@pytest.mark.parametrize("name", CASES)
def test_renderings_are_as_stored(name):
    """Each case renders exactly as stored; ``make_golden.py`` makes the stored texts anew."""
    stored = (GOLDEN / f"{name}.txt").read_text(encoding="utf-8")
    assert rendering(name) == stored


def test_every_stored_text_has_its_case():
    """No stored rendering is left of a case that is gone."""
    assert {path.stem for path in GOLDEN.glob("*.txt")} == set(CASES)


@pytest.mark.parametrize("name", CASES)
def test_no_line_is_wider_than_asked(name):
    """No line is wider than asked for or ends in spaces, and ASCII renderings are ASCII."""
    _, width, signs = CASES[name]
    text = rendering(name)
    for line in digests_apart(text).splitlines():
        assert width_of(line) <= width
        assert line == line.rstrip()
    if signs is ASCII:
        assert text.isascii()


def test_no_fact_is_lost_where_there_is_little_room():
    """Bytes of RAM that a narrow table of builds has no column for are in a line after it."""
    narrow, wide = rendering("in-place-60"), rendering("in-place-120")
    (title,) = (line for line in wide.splitlines() if line.endswith("RAM"))
    table = wide.partition(title)[2].splitlines()
    for name in ("station", "sampler"):
        row = next(line for line in table if line.startswith(f"  {name} "))
        assert f"{name} {row.split()[-1]}" in next(line for line in narrow.splitlines() if "  RAM: " in line)
