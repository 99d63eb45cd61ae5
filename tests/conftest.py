"""What holds for every test: no deadlines, the same examples each time in CI, processes of their own."""

from __future__ import annotations

import functools
import gc
import importlib.util
import os
import signal
import sys
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Any

import built
import pytest
from hypothesis import settings

if TYPE_CHECKING:
    from collections.abc import Generator

    from xdist.remote import Producer
    from xdist.scheduler import Scheduling

IN_CI = bool(os.environ.get("CI") or os.environ.get("GEMEL_REQUIRE_TOOLS"))
settings.register_profile("without-deadline", deadline=None, derandomize=IN_CI)
settings.load_profile("without-deadline")
OBJECTS_A_COLLECTION = 100_000
"""New objects after which Python searches for cycles: at its own 700, a fifth of the time of tests goes there."""


def pytest_configure(config: pytest.Config) -> None:
    """Measure the processes that run tests and not those that tests start.

    The latter are killed, starved of disk and given foreign folders, where a measuring tool would be in the
    way. The process that only hands tests to others keeps the setting until these have started.
    """
    hands_out = not hasattr(config, "workerinput") and bool(config.getoption("numprocesses", None))
    if not hands_out:
        os.environ.pop("COVERAGE_PROCESS_START", None)
    _keep_what_is_made(config)
    _defer_iri_grammar()
    _be_interruptible()


def _be_interruptible() -> None:
    """Have signals as a terminal's commands do: a shell's background jobs, and nohup, pass them on as ignored."""
    for number in (signal.SIGINT, getattr(signal, "SIGHUP", signal.SIGINT)):
        if signal.getsignal(number) is signal.SIG_IGN:
            signal.signal(number, signal.default_int_handler if number == signal.SIGINT else signal.SIG_DFL)


def _defer_iri_grammar() -> None:
    """Let jsonschema read the grammar of IRIs at the first IRI that it judges.

    The package that it asks, rfc3987_syntax, makes a parser of each rule of the grammar when it is imported, forty
    in ten seconds; the same grammar and parser are used here, for the rule that is asked for.
    """
    spec = importlib.util.find_spec("rfc3987_syntax")
    if spec is None or not spec.submodule_search_locations or "rfc3987_syntax" in sys.modules:
        return
    grammar = Path(spec.submodule_search_locations[0], "syntax_rfc3987.lark")

    @functools.cache
    def parser(term: str) -> Any:
        from lark import Lark

        return Lark(grammar.read_text(encoding="utf-8"), start=term, parser="earley")

    def is_valid_syntax(term: str, value: str) -> bool:
        from lark.exceptions import LarkError

        try:
            parser(term).parse(value)
        except LarkError:
            return False
        return True

    module = ModuleType("rfc3987_syntax")
    module.is_valid_syntax = is_valid_syntax  # type: ignore[attr-defined]
    sys.modules["rfc3987_syntax"] = module


def _keep_what_is_made(config: pytest.Config) -> None:
    """Keep what compilers make, and the byte code of this process and all that tests start, in pytest's cache folder.

    Without the latter, where PYTHONDONTWRITEBYTECODE is set, each of hundreds of processes compiles gemel anew.
    """
    cache = getattr(config, "cache", None)  # without pytest's own plugin of it there is none
    if cache is None:
        return
    built.keep_in(cache.mkdir("programs"))
    folder = str(cache.mkdir("bytecode"))
    sys.pycache_prefix, sys.dont_write_bytecode = folder, False
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    os.environ["PYTHONPYCACHEPREFIX"] = folder


@pytest.hookimpl(wrapper=True)
def pytest_collection() -> Generator[None, object, object]:
    """Leave what is made here out of Python's searches for cycles: ten thousand tests and all that they import.

    The later searches are rare.  A process of gemel's own makes none, and its tests run many commands in one.
    """
    gc.disable()
    try:
        return (yield)
    finally:
        gc.freeze()
        gc.set_threshold(OBJECTS_A_COLLECTION)
        gc.enable()


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
