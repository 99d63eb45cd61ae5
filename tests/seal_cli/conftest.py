"""Fixtures of the tests of sealing on the command line."""

from __future__ import annotations

from pathlib import Path

import pytest
from few_rounds import few_rounds
from sealed_device import Run, run_here, write_device

__all__ = ["few_rounds"]


@pytest.fixture
def gemel(capfd: pytest.CaptureFixture[str]) -> Run:
    """Runs one command line in this process."""
    return run_here(capfd)


@pytest.fixture
def device(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with the small device whose layout requires a seal; commands run there."""
    write_device(tmp_path)
    monkeypatch.chdir(tmp_path)
    return tmp_path
