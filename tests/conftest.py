"""What holds for every test: no deadlines, the same examples each time in CI, processes of their own."""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING

import pytest
from hypothesis import settings

if TYPE_CHECKING:
    from xdist.remote import Producer
    from xdist.scheduler import Scheduling

IN_CI = bool(os.environ.get("CI") or os.environ.get("GEMEL_REQUIRE_TOOLS"))
settings.register_profile("without-deadline", deadline=None, derandomize=IN_CI)
settings.load_profile("without-deadline")


def pytest_configure(config: pytest.Config) -> None:
    """Measure the processes that run tests and not those that tests start.

    The latter are killed, starved of disk and given foreign folders, where a measuring tool would be in the
    way. The process that only hands tests to others keeps the setting until these have started.
    """
    hands_out = not hasattr(config, "workerinput") and bool(config.getoption("numprocesses", None))
    if not hands_out:
        os.environ.pop("COVERAGE_PROCESS_START", None)
    _keep_bytecode(config)


def _keep_bytecode(config: pytest.Config) -> None:
    """Keep the byte code of this process and of all that tests start, in pytest's own cache folder.

    Without it, where PYTHONDONTWRITEBYTECODE is set, each of hundreds of processes compiles gemel anew.
    """
    cache = getattr(config, "cache", None)  # without pytest's own plugin of it there is none
    if cache is None:
        return
    folder = str(cache.mkdir("bytecode"))
    sys.pycache_prefix, sys.dont_write_bytecode = folder, False
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    os.environ["PYTHONPYCACHEPREFIX"] = folder


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Producer) -> Scheduling | None:
    """Give each process a run of neighbouring tests, and one that is done a part of another's rest.

    Dealt out one by one, as is usual, the tests of a module go to all processes and each makes the
    module's fixtures again: the demo, compiled builds, keys.
    """
    if config.getvalue("dist") != "load":
        return None
    from xdist.scheduler import WorkStealingScheduling

    return WorkStealingScheduling(config, log)
