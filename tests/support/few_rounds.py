"""Pass phrases that cost little: for rooms whose tests encrypt many keys."""

from __future__ import annotations

import pytest

from gemel.seals.keys import keys


@pytest.fixture(autouse=True)
def few_rounds(monkeypatch: pytest.MonkeyPatch) -> None:
    """Encrypt keys in a ninth of the rounds, a number of as many bytes; all of them take 0.13 s a key.

    One test is about their number, and processes that tests start have all of them.
    """
    monkeypatch.setattr(keys, "ROUNDS", 70_000)
