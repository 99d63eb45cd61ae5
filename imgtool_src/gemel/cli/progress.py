"""A progress bar (click's) on stderr while a command works, from its first second on; gone when anything is printed."""

from __future__ import annotations

import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from gemel.cli import echo as output
from gemel.progress import watchers

SECONDS_BEFORE = 1.0
SECONDS_BETWEEN = 0.1
GONE = "\r\x1b[K\x1b[?25h"
"""Back to the line's start, the line erased, the cursor shown (ECMA-48 8.3.41; the last is common practice)."""


class Progress:
    """The bar, drawn by a thread of its own: what the command does may take long between two steps."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._ended = threading.Event()
        self._paused = 0
        self._at = ("working", 0, 0)
        self._bar: Any = None
        """What is on the terminal now; None: nothing."""

    @contextmanager
    def running(self) -> Iterator[None]:
        """Show the bar while the work below goes on."""
        watchers.append(self._step)
        output.before_output = self.clear
        threading.Thread(target=self._draw_on, daemon=True).start()
        try:
            yield
        finally:
            watchers.remove(self._step)
            output.before_output = None
            self._ended.set()
            self.clear()

    @contextmanager
    def paused(self) -> Iterator[None]:
        """No bar while the user is prompted."""
        self._paused += 1
        self.clear()
        try:
            yield
        finally:
            self._paused -= 1

    def clear(self) -> None:
        """Take the bar away until it is drawn again."""
        with self._lock:
            if self._bar:
                self._bar = None
                sys.stderr.write(GONE)
                sys.stderr.flush()

    def _step(self, what: str, done: int, total: int) -> None:
        self._at = (what, done, total)

    def _draw_on(self) -> None:
        pause = SECONDS_BEFORE
        while not self._ended.wait(pause):
            pause = SECONDS_BETWEEN
            with self._lock:
                if not (self._paused or self._ended.is_set()):
                    self._draw()

    def _draw(self) -> None:
        import itertools

        import click

        what, done, total = self._at
        bar = self._bar
        if bar is None or (bar.label, bar.length or 0) != (what, total):
            items: Any = range(total) if total else itertools.count()
            bar = self._bar = click.progressbar(items, label=what, width=20, show_eta=False, file=sys.stderr)
        bar.make_step(min(done, total) - bar.pos if total else 1)
        bar.render_progress()


_running: list[Progress] = []


@contextmanager
def shown_progress() -> Iterator[None]:
    """A bar while the work below goes on, unless a command around it has one; stderr must be a terminal."""
    if _running:
        yield
        return
    progress = Progress()
    _running.append(progress)
    try:
        with progress.running():
            yield
    finally:
        _running.remove(progress)


@contextmanager
def paused_progress() -> Iterator[None]:
    """No bar meanwhile: something is asked on the terminal."""
    if not _running:
        yield
        return
    with _running[-1].paused():
        yield
