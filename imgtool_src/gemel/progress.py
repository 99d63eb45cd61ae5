"""How far long work is: said here by the code that does it, and shown by what watches (nobody in a script)."""

from __future__ import annotations

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from typing import TypeVar

    Item = TypeVar("Item")
    Watcher = Callable[[str, int, int], None]

watchers: list[Watcher] = []
"""Called with what is being worked on, how many are done and how many there are (0: not known)."""


def step(what: str, done: int = 0, total: int = 0) -> None:
    """Say that ``what`` is worked on, of which ``done`` of ``total`` are done."""
    for watcher in watchers:
        watcher(what, done, total)


def tracked(items: Iterable[Item], what: str, total: int = 0) -> Iterator[Item]:
    """The items, with a step before each."""
    return _stepped(items, what, total) if watchers else iter(items)


def _stepped(items: Iterable[Item], what: str, total: int) -> Iterator[Item]:
    done = 0
    step(what, done, total)
    for item in items:
        yield item
        done += 1
        step(what, done, total)
