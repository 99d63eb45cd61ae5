"""What a shell may complete (layouts, images, names of builds, rules, files), and the scripts by which it asks.

bash cuts words at ``=`` and ``:`` and replaces what follows these alone, where click's own script takes each part for
a word, and a word with spaces for several.  zsh and fish replace the whole word, where click names what follows
``--option=`` alone.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

from click.shell_completion import (
    BashComplete,
    CompletionItem,
    FishComplete,
    ShellComplete,
    ZshComplete,
    add_completion_class,
    split_arg_string,
)

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


_BASH = """\
%(complete_func)s() {
    local type value
    COMPREPLY=()
    while IFS=',' read -r type value; do
        case $type in
            dir) compopt -o dirnames ;;
            file) compopt -o default ;;
            plain)
                [[ $value == *[=/] ]] && compopt -o nospace
                COMPREPLY+=("$value") ;;
        esac
    done < <(env COMP_WORDS="${COMP_LINE:0:COMP_POINT}" COMP_PART="$2" \\
        COMP_QUOTED="${COMP_WORDS[COMP_CWORD]}" %(complete_var)s=bash_complete "$1")
}
complete -o nosort -F %(complete_func)s %(prog_name)s
"""

_CURSOR = "\x7f"
"""Stands at the cursor while the line is split, so that an empty last word is one."""

_ADD = "compadd -U -V unsorted -a completions"
_ADD_OPEN = """\
local -a open
        open=(${(M)completions:#*[=/]})
        completions=(${completions:#*[=/]})
        compadd -U -V unsorted -S '' -a open
        compadd -U -V unsorted -a completions"""
_PATHS = "_path_files"
_PATHS_OF_OPTION = "compset -P '--*='; _path_files"


class _WholeWords(ShellComplete):
    """Offers ``--option=value`` for a word that begins with ``--option=``."""

    def get_completions(self, args: list[str], incomplete: str) -> list[CompletionItem]:
        found = super().get_completions(args, incomplete)
        option, equals, _ = incomplete.partition("=")
        for each in found if option.startswith("--") and equals else ():
            each.value = f"{option}={each.value}"
        return found


class _Bash(_WholeWords, BashComplete):
    """bash, from 4.4 on: it takes what it is given as it is, so that each name is quoted here, as the line is."""

    source_template = _BASH
    _cut = ""
    """What is before the part of the word that bash replaces."""

    def get_completion_args(self) -> tuple[list[str], str]:
        """The words before the cursor and the incomplete one, by how bash quotes."""
        words = split_arg_string(f"{os.environ['COMP_WORDS']}{_CURSOR}")
        incomplete = words.pop().removesuffix(_CURSOR)
        part = os.environ.get("COMP_PART", incomplete)
        whole = part if self._quote() else "".join(split_arg_string(part))
        self._cut = incomplete.removesuffix(whole)
        return words[1:], incomplete

    def format_completion(self, item: CompletionItem) -> str:
        """The type, and what replaces the part."""
        value, quote = str(item.value).removeprefix(self._cut), self._quote()
        if quote == "'":
            value = value.replace("'", r"'\''")
        else:
            value = re.sub(r'([\\"$`])' if quote else r"([^\w@%+=:,./-])", r"\\\1", value)
        return f"{item.type},{value}"

    def _quote(self) -> str:
        """The quotation mark that is open before the cursor."""
        begin = os.environ.get("COMP_QUOTED", "")[:1]
        return begin if begin in ("'", '"') else ""


class _Zsh(_WholeWords, ZshComplete):
    source_template = ZshComplete.source_template.replace(_ADD, _ADD_OPEN).replace(_PATHS, _PATHS_OF_OPTION)


class _Fish(_WholeWords, FishComplete):
    """fish."""


SHELLS = {"bash": _Bash, "zsh": _Zsh, "fish": _Fish}
"""The shells that have completion, by the name that they ask with."""


def use() -> None:
    """Have click print these scripts."""
    for shell in SHELLS.values():
        add_completion_class(shell)
