"""What each command takes, declared once: read here where the line is in order, else by click.

A command line without a fault is taken apart by `Command.values_of`, in microseconds.  Help, a line that cannot be
understood and everything unusual (``--`` and joined short options among it) goes to click, by ``with_click``, which
makes its commands from these same declarations.  Importing click takes as long as three bare interpreters.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from typing import Any

from gemel.errors import GemelError
from gemel.files.paths import FilePath
from gemel.structs import Struct, fields, replace

REPEATED = "may be repeated"

OFF = "--no"
"""Kept for a flag that is switched off."""

FILES_READ: list[str | None] = []
"""What the running command reads: a `FilePath`, or NAME=FILE or a key as a word; None for an option not given."""

UNCLEAR: Any = object()
"""Given instead of a value that click has to judge."""


def with_missing_files(error: GemelError) -> GemelError:
    """``error`` with all files of the command that cannot be read, and its layout in the next steps.

    A broken rule has no files added.
    """
    from gemel.cli.positions import with_layout
    from gemel.workflows.inputs.unreadable import added_to

    error = with_layout(error, FILES_READ)
    return error if error.exit_code == 1 else added_to(error, FILES_READ)


class Kind:
    """What a value is: text, as it stands, if nothing else is said; ``metavar`` is what the help calls it."""

    metavar: str | None = None

    def read(self, text: str) -> Any:
        """The value of a text; ``UNCLEAR`` where it is not fit."""
        return text

    def files_read(self, values: Sequence[Any]) -> Sequence[Any]:
        """Which of the values name a file that is read, as it stands or as NAME=FILE."""
        return ()


class FileName(Kind):
    """A file's name.  Whether it can be read is said where it is read, with the system's reason."""

    metavar = "FILE"

    def read(self, text: str) -> Any:
        """The name as a path."""
        return FilePath(text)


class Input(FileName):
    """The name of a file that is read."""

    def files_read(self, values: Sequence[Any]) -> Sequence[Any]:
        """All of them."""
        return values


class InputWord(Kind):
    """A layout, an image, NAME=BUILD, or a key: text, which the command takes apart."""

    def __init__(self, among_others: bool = False) -> None:
        """``among_others``: only the layout and NAME=BUILD name files."""
        self.among_others = among_others

    def files_read(self, values: Sequence[Any]) -> Sequence[Any]:
        """All of them, or those that cannot be anything else."""
        return [each for each in values if not self.among_others or "=" in each or each.endswith(".toml")]


FILE = FileName()
"""A file's name.  Whether it can be read is said where it is read, with the system's reason."""

INPUT, INPUTS = Input(), InputWord()
"""A file that is read, and the words of a line that name files."""


class Choice(Kind):
    """One of a few words."""

    def __init__(self, options: Sequence[str]) -> None:
        self.options = tuple(options)

    def read(self, text: str) -> Any:
        """The word itself."""
        return text if text in self.options else UNCLEAR


class IntRange(Kind):
    """A decimal number from ``low`` to ``high``."""

    metavar = "N"

    def __init__(self, low: int, high: int) -> None:
        self.low, self.high = low, high

    def read(self, text: str) -> Any:
        """The number."""
        if not (text.isascii() and text.isdigit()):
            return UNCLEAR
        number = int(text) if len(text) <= 20 else -1
        return number if self.low <= number <= self.high else UNCLEAR


class Converted(Kind):
    """What ``convert`` makes of the text; it raises UsageProblem itself."""

    def __init__(self, convert: Callable[[str], Any], metavar: str) -> None:
        self.convert, self.metavar = convert, metavar

    def read(self, text: str) -> Any:
        """What ``convert`` gives."""
        return self.convert(text)


class Parameter(Struct, kw_only=True):
    """An argument, or an option with its ``words``; ``name`` is the field that is declared so.

    ``implied`` is the value of an option that stands alone, without ``=``; ``unless`` the name of a flag with which
    a required one may be left out.
    """

    name: str = ""
    words: tuple[str, ...] = ()
    off_words: tuple[str, ...] = ()
    kind: Kind
    multiple: bool = False
    is_flag: bool = False
    required: bool = False
    default: Any = None
    metavar: str | None = None
    help: str | None = None
    implied: str | None = None
    unless: str = ""

    @property
    def absent(self) -> Any:
        """Its value where it is not given."""
        if self.is_flag:
            return bool(self.default)
        return () if self.multiple else self.default


class Command:
    """A command: its name, the function that does it, its parameters, and the commands below it."""

    def __init__(
        self,
        name: str,
        function: Callable[..., Any],
        takes: type[Any] | None = None,
        help: str | None = None,
        finished: Callable[[str], str] | None = None,
        works_long: bool = False,
        exits: str = "0 all holds; 1 a rule is broken",
    ) -> None:
        self.name, self.function, self._finished, self.works_long = name, function, finished, works_long
        self.takes = takes
        self.exits = f"Exit codes: {exits}; 2 the work could not be done."
        declared = fields(takes).items() if takes else ()
        self.parameters: tuple[Parameter, ...] = (
            *(replace(each.default, name=name) for name, each in declared),
            *COMMON,
        )
        self._help = help or function.__doc__ or ""
        self.below: dict[str, Command] | None = None

    def command(self, name: str, takes: type[Any]) -> Callable[[Callable[..., Any]], Command]:
        """Declare the function below as command ``name`` of this group, as `sub_command` does."""

        def declare(function: Callable[..., Any]) -> Command:
            made = Command(name, function, takes, exits=DONE)
            if self.below is not None:
                self.below[name] = made
            return made

        return declare

    def run(self, **values: Any) -> Any:
        """Do it, with what every command takes put into force first."""
        from gemel.cli.printing import be_quiet, choose_colour, takes_control_sequences

        choose_colour(values.pop(COLOUR.name))
        values.pop(VERBOSE.name, None)  # read from the line where an error is printed
        be_quiet(bool(values.get("quiet")))
        FILES_READ[:] = [
            file
            for each in self.parameters
            if each.name in values
            for file in each.kind.files_read(values[each.name] if each.multiple else (values[each.name],))
        ]
        try:
            if not (self.works_long and takes_control_sequences(sys.stderr)):
                return self._done(values)
            from gemel.cli.progress import shown_progress

            with shown_progress():
                return self._done(values)
        except GemelError as error:
            raise with_missing_files(error) from error.__cause__

    def _done(self, values: dict[str, Any]) -> Any:
        return self.function(self.takes(**values)) if self.takes else self.function()

    def written_out(self, words: Sequence[str]) -> list[str]:
        """``words`` with the implied value after each option that stands alone."""
        implied = {word: each.implied for each in self.parameters for word in each.words if each.implied}
        return [f"{word}={implied[word]}" if word in implied else word for word in words]

    @property
    def help(self) -> str:
        """The text of the help, with what is put into it only where it is shown."""
        return self._finished(self._help) if self._finished else self._help

    def values_of(self, words: Sequence[str]) -> dict[str, Any] | None:
        """The function's arguments by the words after the command's name; None where click has to look."""
        given = self._texts_of(words)
        if given is None or not self._places(given):
            return None
        values: dict[str, Any] = {}
        late: list[Parameter] = []
        for parameter in self.parameters:
            texts = given.get(parameter.name)
            if not texts:
                if parameter.required and parameter.unless not in given:
                    return None
                values[parameter.name] = parameter.absent
            elif parameter.is_flag:
                values[parameter.name] = texts[-1] != OFF
            elif isinstance(parameter.kind, Converted):
                late.append(parameter)
            else:
                read = tuple([parameter.kind.read(text) for text in texts])
                if UNCLEAR in read:
                    return None
                values[parameter.name] = read if parameter.multiple else read[-1]
        for parameter in late:
            every = [parameter.kind.read(text) for text in given[parameter.name]]
            values[parameter.name] = tuple(every) if parameter.multiple else every[-1]
        return values

    def _texts_of(self, words: Sequence[str]) -> dict[str, list[str]] | None:
        """What stands in the line for each option by its name, and for "" the words that belong to none."""
        options = {word: each for each in self.parameters for word in (*each.words, *each.off_words)}
        given: dict[str, list[str]] = {"": []}
        rest = iter(self.written_out(words))
        for word in rest:
            if not word.startswith("-") or word == "-":
                given[""].append(word)
                continue
            name, equals, text = word.partition("=")
            option = options.get(name)
            if option is None or (equals and (option.is_flag or not name.startswith("--"))):
                return None
            if not (equals or option.is_flag):
                text = next(rest, "")
            if (text.startswith("-") and text != "-") or not (text or option.is_flag):
                return None
            given.setdefault(option.name, []).append(OFF if name in option.off_words else text)
        return None if "" in given[""] else given

    def _places(self, given: dict[str, list[str]]) -> bool:
        """Share the words of no option out among the arguments; whether they fit."""
        words = given.pop("")
        arguments = [each for each in self.parameters if not each.words]
        for at, argument in enumerate(arguments):
            after = len(arguments) - at - 1
            count = max(0, len(words) - after) if argument.multiple else 1
            given[argument.name], words = words[:count], words[count:]
        return not words


def sub_command(
    name: str, takes: type[Any] | None = None, **more: Any
) -> Callable[[Callable[..., Any]], Command]:
    """Declare the function below as command ``name``, which gets one of the class ``takes``, if it takes anything.

    Each field of that class has an `argument` or an `option` as its value.  ``more`` is as for `Command`: ``help``,
    else the function's docstring; ``finished`` puts into the help what is made only where it is shown; one that
    ``works_long`` shows progress; ``exits`` says what the exit codes 0 and 1 mean.
    """
    return lambda function: Command(name, function, takes, **more)


def group(
    name: str, *, finished: Callable[[str], str] | None = None
) -> Callable[[Callable[..., Any]], Command]:
    """Declare the function below, which does nothing, as command ``name`` that others stand below."""

    def declare(function: Callable[..., Any]) -> Command:
        made = Command(name, function, finished=finished)
        made.below = {}
        return made

    return declare


def argument(
    *,
    kind: Kind | None = None,
    metavar: str | None = None,
    several: bool = False,
    required: bool | None = None,
) -> Any:
    """Declare a field as an argument: one value, or ``several``; required unless said otherwise or several."""
    return Parameter(
        kind=kind or Kind(),
        multiple=several,
        required=not several if required is None else required,
        metavar=metavar,
    )


def option(
    *words: str,
    kind: Kind | None = None,
    metavar: str | None = None,
    multiple: bool = False,
    is_flag: bool = False,
    help: str | None = None,
    **more: Any,
) -> Any:
    """Declare a field as an option by its words; ``more`` is as for `Parameter`.

    ``--x/--no-x`` is a flag that can be switched on and off.  The help of what may be given several times ends so.
    """
    if multiple and help and REPEATED not in help:
        help = (
            f"{help} {REPEATED.capitalize()}." if ". " in help else f"{help.removesuffix('.')}; {REPEATED}."
        )
    off_words = tuple([word.partition("/")[2] for word in words if "/" in word])
    kind = kind or Kind()
    return Parameter(
        words=tuple([word.partition("/")[0] for word in words]),
        off_words=off_words,
        kind=kind,
        multiple=multiple,
        is_flag=is_flag or bool(off_words),
        metavar=metavar or (None if is_flag or off_words else kind.metavar),
        help=help,
        **more,
    )


DONE = "0 done"
"""The exit code of a command that judges nothing."""

COLOUR = Parameter(
    name="colour",
    words=("--color",),
    kind=Choice(["auto", "always", "never"]),
    default="auto",
    help="When to colour text; auto: on a terminal, unless NO_COLOR is set, and where FORCE_COLOR is.",
)
VERBOSE = Parameter(
    name="verbose", words=("-v", "--verbose"), kind=Kind(), is_flag=True, help="Show the cause of an error."
)
COMMON = (COLOUR, VERBOSE)
"""What every command takes besides its own."""
