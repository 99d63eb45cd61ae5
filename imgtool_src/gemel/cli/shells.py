"""The completion scripts of bash, zsh and fish: click's, with whole words, and no space after ``NAME=`` and a folder.

bash cuts words at ``=`` and ``:`` and replaces what follows these alone, where click's own script takes each part for
a word, and a word with spaces for several.  zsh and fish replace the whole word, where click names what follows
``--option=`` alone.
"""

from __future__ import annotations

import os
import re

from click.shell_completion import (
    BashComplete,
    CompletionItem,
    FishComplete,
    ShellComplete,
    ZshComplete,
    add_completion_class,
    split_arg_string,
)

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
