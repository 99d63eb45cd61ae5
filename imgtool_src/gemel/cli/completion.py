"""What a shell may complete: layouts, images and builds by suffix, names of builds, rules, topics, files."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

from click.shell_completion import CompletionItem

from gemel.files.paths import FilePath

if TYPE_CHECKING:
    from gemel.layout.model import Layout

LAYOUTS = (".toml",)
REPORTS = (".txt", ".json", ".sarif", ".xml", ".html")
KEYS = (".pem", ".der", ".key")


Complete = Callable[[list[str], str], Iterator[CompletionItem]]
"""From the words before it and the incomplete word to what it may become."""


def files(suffixes: tuple[str, ...], incomplete: str, before: str = "") -> Iterator[CompletionItem]:
    """Files of these suffixes in the folder that ``incomplete`` begins to name, and folders.

    ``before`` stands before each, such as ``station=``, and ``./`` before one that would be an option.  Names that a
    terminal would obey, or that are more than one line, are left out: a shell shows them as they are.
    """
    folder, _, begin = incomplete.rpartition("/")
    where = f"{folder}/" if folder or incomplete.startswith("/") else ""
    try:
        names = sorted(os.listdir(where or "."))
    except OSError:
        return
    for name in names:
        if not name.startswith(begin) or (name.startswith(".") and not begin) or not name.isprintable():
            continue
        path = f"./{name}" if name.startswith("-") and not where and not before else f"{before}{where}{name}"
        if os.path.isdir(where + name):
            yield CompletionItem(f"{path}/")
        elif name.lower().endswith(suffixes):
            yield CompletionItem(path)


def positions(given: list[str], incomplete: str) -> Iterator[CompletionItem]:
    """``[LAYOUT] IMAGE [NAME=BUILD]...``: layouts and images, then names of builds and their files."""
    from gemel.builds.reader import SUFFIXES
    from gemel.image.formats import FORMATS

    images = tuple(suffix for each in FORMATS for suffix in each.suffixes)
    name, equals, file = incomplete.partition("=")
    if equals:
        yield from files(tuple(SUFFIXES), file, f"{name}=")
        return
    yield from files((*LAYOUTS, *images), incomplete)
    layout = _layout(given)
    for build in layout.builds if layout else ():
        if build.startswith(incomplete) and not any(word.startswith(f"{build}=") for word in given):
            yield CompletionItem(f"{build}=")


def cores(given: list[str], incomplete: str) -> Iterator[CompletionItem]:
    """Cores of the layout."""
    layout = _layout(given)
    for core in layout.cores if layout else ():
        if core.startswith(incomplete):
            yield CompletionItem(core)


def _layout(given: list[str]) -> Layout | None:
    """The layout among the words given, or the folder's own; None where it cannot be read."""
    from gemel.cli.positions import OWN
    from gemel.errors import GemelError
    from gemel.workflows.inputs.layouts import load_layout

    layout = next((FilePath(word) for word in given if word.lower().endswith(LAYOUTS)), OWN)
    try:
        return load_layout(layout).layout
    except GemelError:
        return None


def topics(given: list[str], incomplete: str) -> Iterator[CompletionItem]:
    """Topics and rules."""
    from gemel.checking.registry import rule_names
    from gemel.cli.catalogue import TOPICS

    for name in (*TOPICS, *rule_names()):
        if name.startswith(incomplete):
            yield CompletionItem(name)


def algorithms(given: list[str], incomplete: str) -> Iterator[CompletionItem]:
    """Signature algorithms."""
    from gemel.seals.keys.algorithms import ALGORITHMS

    for each in ALGORITHMS:
        if each.name.lower().startswith(incomplete.lower()):
            yield CompletionItem(each.name)


def terms(given: list[str], incomplete: str) -> Iterator[CompletionItem]:
    """What an index is searched by, FIELD=, and rules after ``finding=``."""
    from gemel.audit.terms import FIELDS
    from gemel.checking.registry import rule_names

    findings = [f"finding={name}" for name in rule_names()] if incomplete.startswith("finding=") else []
    for each in findings or [f"{field}=" for field in (*FIELDS, "image")]:
        if each.startswith(incomplete):
            yield CompletionItem(each)


def folders(given: list[str], incomplete: str) -> Iterator[CompletionItem]:
    """Folders."""
    return files((), incomplete)


def by_suffix(*suffixes: str) -> Complete:
    """Files of these suffixes."""
    return lambda given, incomplete: files(suffixes, incomplete)


COMPLETIONS: dict[str, Complete] = {
    "words": positions,
    "given": positions,
    "core": cores,
    "cores": cores,
    "topic": topics,
    "algorithm": algorithms,
    "terms": terms,
    "key": by_suffix(*KEYS),
    "layout": by_suffix(*LAYOUTS),
    "joined_with": by_suffix(*LAYOUTS),
    "policy": by_suffix(*LAYOUTS),
    "reports": by_suffix(*REPORTS),
    "trust": by_suffix(*KEYS),
    "publics": by_suffix(*KEYS),
    "key_texts": by_suffix(*KEYS),
    "outputs": by_suffix(".hex", ".srec", ".bin"),
    "previous": by_suffix(".hex", ".ihex", ".srec", ".s19", ".s28", ".s37", ".mot", ".bin"),
    "image": by_suffix(".hex", ".ihex", ".srec", ".s19", ".s28", ".s37", ".mot", ".bin"),
    "maps": by_suffix(".map"),
    "release": folders,
    "folders": folders,
}
"""What each parameter, by its name, may be; all others are completed by their kinds."""
