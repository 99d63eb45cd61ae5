"""The completion scripts of bash and zsh: click's, without a space after ``NAME=`` and a folder, and with whole words.

bash cuts words at ``=`` and replaces what follows it alone; click's own script takes each part for a word.
"""

from __future__ import annotations

from click.shell_completion import BashComplete, ZshComplete, add_completion_class

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


class _Bash(BashComplete):
    """bash, from 4.4 on."""

    source_template = _BASH


class _Zsh(ZshComplete):
    """zsh."""

    source_template = ZshComplete.source_template.replace(_ADD, _ADD_OPEN)


def use() -> None:
    """Have click print these scripts."""
    add_completion_class(_Bash)
    add_completion_class(_Zsh)
