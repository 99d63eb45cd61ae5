"""Text and bytes to stdout and stderr, flushed at once, and the escape sequences of colour.

All that the commands say goes through here.  Names in a line are escaped where it is made (`gemel.text.escaping`);
what somebody forgot is escaped here, so that no name in a file drives the terminal.
"""

from __future__ import annotations

import sys

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable

COLOURS = {"red": 31, "green": 32, "yellow": 33, "blue": 34, "magenta": 35, "cyan": 36}
"""The foreground colours of ECMA-48 8.3.117 (SGR) that messages use."""


before_output: Callable[[], None] | None = None
"""Called first: takes a progress bar away."""


def echo(message: str | bytes, *, err: bool = False, nl: bool = True) -> None:
    """Write a line, or with ``nl`` false just the message, to stdout or, with ``err``, to stderr.

    Bytes go out as they are, whatever the stream's encoding; of text only line ends and colours are no text.  A
    closed stream takes everything.
    """
    stream = sys.stderr if err else sys.stdout
    if stream is None:
        return
    if before_output is not None:
        before_output()
    if isinstance(message, bytes):
        stream.flush()
        stream.buffer.write(message + b"\n" if nl else message)
        stream.buffer.flush()
    else:
        text = "\n".join(map(_harmless, message.split("\n")))
        stream.write(f"{text}\n" if nl else text)
        stream.flush()


def coloured(text: str, fg: str | None = None, bold: bool = False, dim: bool = False) -> str:
    """``text`` between the sequences that switch colour or weight on and everything off."""
    codes = [COLOURS[fg]] if fg else []
    codes += [1] if bold else []
    codes += [2] if dim else []
    return "".join(f"\x1b[{code}m" for code in codes) + f"{text}\x1b[0m"


def _harmless(line: str) -> str:
    """The line with nothing but text, tabs and the sequences that `coloured` makes."""
    if line.isprintable():
        return line
    import re

    from gemel.text.escaping import on_one_line

    ours = re.compile("(\x1b\\[(?:[012]|3[1-6])m|\t)")
    return "".join(part if ours.fullmatch(part) else on_one_line(part) for part in ours.split(line))
