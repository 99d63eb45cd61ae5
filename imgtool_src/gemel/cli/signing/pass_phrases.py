"""Pass phrases of keys and PINs of tokens: asked on the terminal, or from a file or the environment.

Never an argument: every process list and the shell's history show those.  Nothing here repeats what the
user wrote, since a pass phrase can end up where a file or a variable should have been named.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence

from gemel.cli.printing import print_remarks
from gemel.errors import Problem, UsageProblem
from gemel.files.paths import FilePath
from gemel.structs import Struct

MAX_FILE = 64 << 10
"""Bytes of a file with a pass phrase or PIN, at most."""


class PassPhrases(Struct, repr=False):
    """Where the user says that pass phrases are to be had; nowhere: they are prompted for."""

    files: tuple[FilePath, ...] = ()
    names: tuple[str, ...] = ()

    def of(self, questions: Sequence[str]) -> list[bytes]:
        """The pass phrases that answer ``questions``, each as it would be asked on the terminal.

        Raises UsageProblem: both kinds of option, as many as do not fit, one that cannot be had, no terminal.
        """
        given = self._given()
        if not given:
            return [_asked(question) for question in questions]
        if len(given) not in (1, len(questions)):
            raise UsageProblem(
                "pass phrases and keys that need one do not match",
                found=f"{len(given)} pass phrases",
                expected=f"1, or {len(questions)}: one for each",
                next_step="give one for all, or one for each key in the order of the keys",
            )
        return given if len(given) == len(questions) else given * len(questions)

    def of_new_key(self, weak: bool = False) -> bytes:
        """The pass phrase of a key that is made now; on the terminal it is prompted for twice.  As ``of``.

        One that is easily guessed raises UsageProblem, unless ``weak`` ones are taken.
        """
        from gemel.seals.keys.guessing import MIN_BITS, bits_to_guess

        phrase = self._of_new_key()
        bits = bits_to_guess(phrase)
        if bits < MIN_BITS and not weak:
            raise UsageProblem(
                "the pass phrase is easily guessed",
                found=f"about {bits} bits",
                expected=f"at least {MIN_BITS}",
                next_step="take six random words, or 14 random letters and digits; or give --weak-pass-phrase",
            )
        return phrase

    def _of_new_key(self) -> bytes:
        given = self._given()
        if len(given) > 1:
            raise UsageProblem(
                "a key has one pass phrase",
                found=str(len(given)),
                expected="1",
                next_step="leave the others out",
            )
        if given:
            return given[0]
        phrase = _asked("pass phrase of the new key", "; --no-pass-phrase makes a key for trials without one")
        if phrase != _asked("the same again"):
            raise UsageProblem("the two pass phrases differ", next_step="run the command again")
        return phrase

    @property
    def given(self) -> bool:
        """Whether an option says where they are."""
        return bool(self.files or self.names)

    def _given(self) -> list[bytes]:
        if self.files and self.names:
            raise UsageProblem(
                "pass phrases from files and from the environment",
                found="both",
                expected="--pass-phrase-file or --pass-phrase-env",
                next_step="give all by one of the two options",
            )
        return [phrase_of_file(path, "--pass-phrase-file") for path in self.files] + [
            _of_environment(name) for name in self.names
        ]


def phrase_of_file(path: FilePath, option: str) -> bytes:
    """The one line of the file, without its end; says on stderr if others may read it.

    Raises UsageProblem, which names the ``option`` alone.
    """
    from gemel.files.reading import limited

    try:
        data = limited(path, MAX_FILE, "a file")
    except UsageProblem as error:
        problem = Problem(
            "the file with the pass phrase or PIN cannot be read",
            where=option,
            found=error.problems[0].found,
            expected="a file",
            next_step="check the path after the option",
        )
        raise UsageProblem(problem) from None  # the chain would show the name, which may be the phrase
    line = data.removesuffix(b"\n").removesuffix(b"\r")
    if not line or b"\n" in line:
        raise UsageProblem(
            "not a file with a pass phrase or PIN",
            where=option,
            found="several lines" if line else "nothing",
            expected="one line",
            next_step="put the pass phrase alone into the file",
        )
    from gemel.files.private_files import open_to_others

    # The file's name stays out here too: anyone who confused name and phrase may have a file of that name.
    print_remarks(
        open_to_others(path, "pass phrase or PIN", option, "chmod 600 the file that the option names")
    )
    return line


def _of_environment(name: str) -> bytes:
    value = os.environ.get(name)
    if not value:
        raise UsageProblem(
            "the variable that is to hold the pass phrase or PIN is not there",
            where="--pass-phrase-env",
            found="empty" if value == "" else "not set",
            expected="the name of a variable that is set",
            next_step="set it, or correct the name",
        )
    return os.fsencode(value)


def _asked(question: str, otherwise: str = "") -> bytes:
    """What the user types, unseen; raises UsageProblem where there is nobody to ask or nothing is typed."""
    import getpass

    from gemel.cli.progress import paused_progress

    if sys.stdin is None or not sys.stdin.isatty():
        step = f"give --pass-phrase-file FILE or --pass-phrase-env NAME{otherwise}"
        raise UsageProblem(f"cannot prompt for the {question}: no terminal", where="stdin", next_step=step)
    try:
        with paused_progress():
            text = getpass.getpass(f"{question}: ", stream=sys.stderr)
    except EOFError:
        text = ""
    if not text:
        raise UsageProblem(f"no {question} was typed", where="terminal", next_step="run the command again")
    return text.encode("utf-8", "surrogateescape")
