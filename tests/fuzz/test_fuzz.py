"""Each target of the fuzzing, for a moment: ``tests/fuzz/run.py`` runs them for any time."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from fuzz.run import TARGETS, fuzz, target_named


@pytest.mark.parametrize("name", TARGETS)
def test_mutated_inputs_are_taken_or_refused(name: str) -> None:
    """Sound inputs are taken; mutated ones are taken or refused by an error of gemel's, never by another."""
    target = target_named(name)
    given, taken = fuzz(target, 0.4, seed=20_261_128)
    assert given > len(target.SEEDS) <= taken


def test_another_verdict_of_the_c_reader_is_a_fault(monkeypatch: pytest.MonkeyPatch) -> None:
    """The comparison of C and Python can fail."""
    target = target_named("c_reader")
    expected = target.verdicts(target.SEEDS[0])
    monkeypatch.setattr(target, "verdicts", lambda _: [*expected[:1], "0 sound"])
    with pytest.raises(RuntimeError, match="C says"):
        target.decode(target.SEEDS[0])


def test_the_script_runs_one_target() -> None:
    """From the command line a target runs for a given time and says how many inputs it took."""
    script = str(Path(__file__).with_name("run.py"))
    ended = subprocess.run(
        [sys.executable, script, "--seconds", "0.2", "seal"], capture_output=True, text=True, check=True
    )
    assert ended.stdout.startswith("seal: ")
