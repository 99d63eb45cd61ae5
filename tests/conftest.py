"""What holds for every test: no deadlines, the same examples each time in CI, processes of their own."""

from __future__ import annotations

import os

import pytest
from hypothesis import settings

settings.register_profile("without-deadline", deadline=None, derandomize=bool(os.environ.get("CI")))
settings.load_profile("without-deadline")


def pytest_configure(config: pytest.Config) -> None:
    """Measure the processes that run tests and not those that tests start.

    The latter are killed, starved of disk and given foreign folders, where a measuring tool would be in the
    way. The process that only hands tests to others keeps the setting until these have started.
    """
    hands_out = not hasattr(config, "workerinput") and bool(config.getoption("numprocesses", None))
    if not hands_out:
        os.environ.pop("COVERAGE_PROCESS_START", None)
