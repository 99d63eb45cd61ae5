"""Keys read from files: public keys whole, private ones as bytes."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from gemel.errors import GemelError, Problem
from gemel.files.paths import FilePath
from gemel.files.reading import beginning_of

if TYPE_CHECKING:
    from gemel.seals.keys.keys import PublicKey


def public_keys(paths: Iterable[FilePath], *, plain: bool = False) -> list[PublicKey]:
    """The public keys in files; raises KeyFileError or UsageProblem with the problems of all of them.

    With ``plain`` a pipe is refused, as in a file that was not named by the user.
    """
    from gemel.seals.keys.files import load_public_key
    from gemel.seals.keys.keys import KeyFileError

    keys: list[PublicKey] = []
    problems: list[Problem] = []
    for path in paths:
        try:
            keys.append(load_public_key(key_file_bytes(path, plain=plain), str(path)))
        except GemelError as error:
            problems.extend(error.problems)
    if problems:
        raise KeyFileError(problems)
    return keys


def key_file_bytes(path: FilePath, *, plain: bool = False) -> bytes:
    """The bytes of a key's file; raises UsageProblem.  Of a file that is too large only its start."""
    from gemel.seals.keys.blocks import MAX_KEY_FILE

    return beginning_of(path, MAX_KEY_FILE, plain=plain)
