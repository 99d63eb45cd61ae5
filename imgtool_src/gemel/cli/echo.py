"""Text and bytes to stdout and stderr, flushed at once, and the escape sequences of colour."""

from __future__ import annotations

import sys

COLOURS = {"red": 31, "green": 32, "yellow": 33, "blue": 34, "magenta": 35, "cyan": 36}
"""The foreground colours of ECMA-48 8.3.117 (SGR) that messages use."""


def echo(message: str | bytes, *, err: bool = False, nl: bool = True) -> None:
    """Write a line, or with ``nl`` false just the message, to stdout or, with ``err``, to stderr.

    Bytes go out as they are, whatever the stream's encoding.  A closed stream takes everything.
    """
    stream = sys.stderr if err else sys.stdout
    if stream is None:
        return
    if isinstance(message, bytes):
        stream.flush()
        stream.buffer.write(message + b"\n" if nl else message)
        stream.buffer.flush()
    else:
        stream.write(f"{message}\n" if nl else message)
        stream.flush()


def coloured(text: str, fg: str | None = None, bold: bool = False, dim: bool = False) -> str:
    """``text`` between the sequences that switch colour or weight on and everything off."""
    codes = [COLOURS[fg]] if fg else []
    codes += [1] if bold else []
    codes += [2] if dim else []
    return "".join(f"\x1b[{code}m" for code in codes) + f"{text}\x1b[0m"
