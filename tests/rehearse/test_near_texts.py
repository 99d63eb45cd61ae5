"""Texts of goals that a core nearly sent."""

from __future__ import annotations

import pytest
from rehearsals import device

from gemel.rehearsal.verdict.release_findings import MAX_WORDS, MIN_WORD, SHORT, near_text

NEAR = [
    ("station: done", "Station: done"),
    ("station: done", "station:  done"),
    ("station: done", "station:done"),
    ("sampler recieved frame 3", "tide: sampler received frame 3, next"),
    ("self-test pased", "self-test passed"),
    ("self-test passd", "[7] self-test passed"),
    ("calibraton redy", "calibration ready"),
]
FAR = [
    ("level 41", "level 42"),
    ("level 4", "level 14"),
    ("self-test passed", "self-test failed"),
    ("valve open", "valve closed"),
    ("led on", "led no"),
    ("led on", "led off"),
    ("level high", "level low"),
    ("done", "station: gave up"),
    ("one two three", "ones twos threes"),
    ("frame ok", ""),
    ("  ", "frame ok"),
]


@pytest.mark.parametrize(("sought", "sent"), NEAR)
def test_a_misspelt_text_has_a_near_one(sought: str, sent: str) -> None:
    """Capitals, spaces, a letter or two of a word or two."""
    assert near_text(sought, ["something else", sent]) in sent
    assert near_text(sought, ["something else", sent])


@pytest.mark.parametrize(("sought", "sent"), FAR)
def test_another_text_is_no_near_one(sought: str, sent: str) -> None:
    """Another number or another word is another result of the program."""
    assert not near_text(sought, ["something else", sent])


def test_limits() -> None:
    """Letters that may differ by the length of a word, words that may, and the shortest word that may."""
    word = "abcdefghij"
    assert near_text(word[:SHORT], ["x" + word[1:SHORT]])
    assert not near_text(word[:SHORT], ["xy" + word[2:SHORT]])
    assert near_text(word[: SHORT + 1], ["xy" + word[2 : SHORT + 1]])
    assert not near_text(word[:MIN_WORD], ["x" + word[1:MIN_WORD]])
    assert near_text(word[: MIN_WORD + 1], ["x" + word[1 : MIN_WORD + 1]])
    for words, is_near in ((MAX_WORDS, True), (MAX_WORDS + 1, False)):
        sought, sent = (" ".join([word] * words) for word in ("frames", "framed"))
        assert bool(near_text(sought, [sent])) is is_near


@pytest.mark.parametrize(("text", "asked"), [("station: dome", True), ("station 2: done", False)])
def test_a_goal_with_a_near_text(text: str, asked: bool) -> None:
    """The finding shows what is expected and the last line, and asks where another line is nearly it."""
    (finding,) = device(replace={'text = "station: done"': f'text = "{text}"'}).rehearse().findings
    assert finding.kind == "goal-not-reached"
    assert finding.expected == f'station sends "{text}"'
    assert "it sent its last line" in finding.found
    assert ('did you mean "station: done", which it sent?' in finding.next_step) is asked
