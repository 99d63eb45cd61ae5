"""The lines of a text image file, from blocks of any size, in bounded memory.

A line ends with LF, CR or CRLF; the last one may end with the file.  Runs of equally long lines, which
make up nearly all of a real file, are offered whole, so that a format can take them in one go.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from gemel.image.gathering import Gathering
from gemel.image.image import Decoded

MAX_LINE = 4096
"""Longest line in characters that a format has to look at; a record takes at most 526 and its margins."""

TOO_LONG = b"?"
"""Stands for the rest of a line that is too long, so that this is never taken for blank."""

WINDOW = 1 << 18
"""Characters looked at in one go."""

MIN_ROWS = 8
"""Fewest equally long lines that are worth offering whole."""


class RecordReader:
    """The reader of a format whose lines are records, as ``scan`` gives them.

    A format has a name, the characters of its longest record, and its end record, in words.
    """

    name, longest, end_record = "", 0, ""

    def __init__(self, gathering: Gathering) -> None:
        self.gathering = gathering
        self.entry: int | None = None

    def line(self, number: int, text: bytes) -> None:
        """Take line ``number`` (from 1), without its end, never above ``MAX_LINE``.

        Nothing but white space may stand after the end record.
        """
        text = text.strip()
        if text and self.gathering.end_line:
            self.gathering.refuse_going_on(number, text)
        elif text:
            self.record(number, text)

    def record(self, number: int, text: bytes) -> None:
        """Take the record that a line should be, without white space around it."""
        raise NotImplementedError

    def rows(self, number: int, text: bytes, width: int) -> bool:
        """Take all of ``text``, or return False with nothing done.

        ``text`` is at least ``MIN_ROWS`` lines of ``width`` characters, each with LF in its last column
        and possibly, in a hostile file, other line ends inside; line ``number`` is the first.  Must take
        nothing that ``line`` would refuse or treat in another way.
        """
        raise NotImplementedError

    def lose(self, text: bytes) -> None:
        """Know that the record of a line cannot be read."""
        raise NotImplementedError

    def overlong(self, number: int) -> None:
        """Refuse a line that is longer than any record."""
        self.lose(b"")
        self.gathering.refuse(
            number,
            "a line too long for a record",
            found=f"more than {MAX_LINE:,} characters",
            expected=f"at most {self.longest} and white space",
            next_step=f"check whether this is {self.name} file",
        )

    def refuse_checksum(self, number: int, found: int, expected: int) -> None:
        """Refuse a record by its last byte."""
        self.gathering.refuse(number, "wrong checksum", found=f"0x{found:02X}", expected=f"0x{expected:02X}")

    def finish(self, lines: int) -> Decoded:
        """What was read; raises ImageFormatError with every problem."""
        return self.gathering.finish(self.entry, lines, self.end_record)


def scan(blocks: Iterable[bytes], reader: RecordReader) -> int:
    """Feed ``reader`` every line of ``blocks`` in order and return the number of lines."""
    number = 1
    for window in _windows(blocks):
        if not window.strip(b"\r\n"):
            number += window.count(b"\n") + window.count(b"\r") - window.count(b"\r\n")
            continue
        position = 0
        while position < len(window):
            width = window.find(b"\n", position) + 1 - position
            end = position + width * _equal_lines(window, position, width)
            if end > position and reader.rows(number, window[position:end], width):
                number += (end - position) // width
            else:
                if end <= position:
                    end = position + width if width > 0 else len(window)
                number = _one_by_one(window[position:end], number, reader)
            position = end
    return number - 1


def _one_by_one(text: bytes, number: int, reader: RecordReader) -> int:
    """Feed ``reader`` the lines of ``text`` and return the number of the line after them."""
    for line in text.splitlines():
        if len(line) > MAX_LINE:
            reader.overlong(number)
        else:
            reader.line(number, line)
        number += 1
    return number


def _equal_lines(window: bytes, position: int, width: int) -> int:
    """How many lines from ``position`` on end every ``width`` characters; 0 for too few to matter."""
    if width < 2:
        return 0
    first = position + width - 1
    if window[first : first + MIN_ROWS * width : width] != b"\n" * MIN_ROWS:
        return 0
    ends = window[first::width]
    return len(ends) - len(ends.lstrip(b"\n"))


def _windows(blocks: Iterable[bytes]) -> Iterator[bytes]:
    """Cut ``blocks`` after line ends, into about ``WINDOW`` characters each.

    Of a line that is too long, ``MAX_LINE`` characters and ``TOO_LONG`` are sure to be kept.
    """
    rest = b""
    for block in blocks:
        for start in range(0, len(block), WINDOW):
            text = rest + block[start : start + WINDOW]
            # A CR at the very end may be the first half of a CRLF: it waits.
            cut = max(text.rfind(b"\n"), text.rfind(b"\r", 0, len(text) - 1)) + 1
            if cut:
                yield text[:cut]
            rest = text[cut:]
            if len(rest) > MAX_LINE + 1:
                rest = rest[:MAX_LINE] + TOO_LONG + (b"\r" if rest.endswith(b"\r") else b"")
    if rest:
        yield rest
