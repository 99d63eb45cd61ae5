"""The completion scripts of bash, zsh and fish: click's, with whole words, and no space after ``NAME=`` and a folder.

bash cuts words at ``=`` and replaces what follows it alone, where click's own script takes each part for a word.  zsh
and fish replace the whole word, where click names what follows ``--option=`` alone.
"""

from __future__ import annotations

from click.shell_completion import (
    BashComplete,
    CompletionItem,
    FishComplete,
    ShellComplete,
    ZshComplete,
    add_completion_class,
)

_BASH = """\
%(complete_func)s() {
    local line="${COMP_LINE:0:COMP_POINT}" word="" type value response count
    local -a words
    read -ra words <<< "$line"
    count=${#words[@]}
    if [[ $line != *[[:space:]] ]]; then
        count=$((count - 1))
        word="${words[count]}"
    fi
    response=$(env COMP_WORDS="$line" COMP_CWORD=$count %(complete_var)s=bash_complete "$1")
    if [[ $word == *=* && $COMP_WORDBREAKS == *=* ]]; then
        word="${word%%=*}="
    else
        word=""
    fi
    while IFS=',' read -r type value; do
        case $type in
            dir) COMPREPLY=(); compopt -o dirnames ;;
            file) COMPREPLY=(); compopt -o default ;;
            plain)
                [[ $value == *[=/] ]] && compopt -o nospace
                COMPREPLY+=("${value#"$word"}") ;;
        esac
    done <<< "$response"
}
complete -o nosort -F %(complete_func)s %(prog_name)s
"""

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
    """bash, from 4.4 on."""

    source_template = _BASH


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
