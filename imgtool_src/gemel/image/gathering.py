"""What a reader of a text image file gathers: bytes with the lines they came from, problems, remarks.

The bytes are kept in file order and brought into an image at the end, in address order, so that no
order of records is slow.  Where each byte came from is kept as stretches of consecutive lines with
consecutive, equally long data: 32 bytes per stretch, and one stretch for thousands of lines of a real file.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterator

from gemel.errors import ImageFormatError, Problem
from gemel.image.image import Decoded, RecordGap
from gemel.image.sparse import SparseBytes
from gemel.spans import Span, format_address

MAX_PROBLEMS = 20
"""Problems that are reported in full; further ones are counted."""

RESEND = "have the file made or sent again"
"""What to do about a record that is damaged."""

NOT_A_RECORD = "not a record"
"""What is wrong with a line that does not begin as records do."""

MAX_SHOWN = 24
"""Characters of a line that a problem quotes."""

MAX_RUN = 1 << 20
"""Most bytes that are brought together before they go into the image."""

MAX_RUNS = 1 << 12
"""Most separate runs of bytes; linkers leave dozens, and each costs time everywhere."""

BACK = 256
"""Bytes by which addresses go back where they start over: further than where one line was edited."""

REPEATED = "bytes are given twice, both times the same"
"""The remark on records that overlap and agree."""


MIN_USUAL = 8
"""Bytes of a record of which several may have been lost: gaps of any size are a multiple of smaller ones."""


class Gathering:
    """The bytes, problems and remarks of the file ``name`` (used in ``where`` only).

    ``end_line`` is the line of the record that ends the file; 0 until one does.  ``has_record`` is whether a
    single line was a sound record.
    """

    def __init__(self, name: str) -> None:
        self.name = name
        self.end_line = 0
        self.has_record = False
        self._goes_on = False
        self._problems: list[Problem] = []
        self._uncounted = 0
        self._other_lines = 0
        self._conflicting: set[int] = set()
        self._over: set[int] = set()
        self._remarks: dict[str, tuple[int, int, str]] = {}
        self._data = bytearray()
        self._addresses = array("Q")
        self._offsets = array("Q")
        self._lines = array("Q")
        self._rows = array("Q")
        self._next = (-1, -1, -1)

    def refuse(
        self, line: int, what: str, *, found: str = "", expected: str = "", next_step: str = RESEND
    ) -> None:
        """Note a problem of line ``line``; after the first ``MAX_PROBLEMS`` it is only counted."""
        self._other_lines += what == NOT_A_RECORD
        if len(self._problems) < MAX_PROBLEMS:
            self._problems.append(
                Problem(
                    what, where=f"{self.name}:{line}", found=found, expected=expected, next_step=next_step
                )
            )
        else:
            self._uncounted += 1

    def remark(self, line: int, what: str, next_step: str = "") -> None:
        """Note an oddity of line ``line``; all with the same words make one remark."""
        first, count, _ = self._remarks.get(what, (line, 0, ""))
        self._remarks[what] = (first, count + 1, next_step)

    def take(self, line: int, address: int, data: bytes | bytearray, row: int) -> None:
        """Keep ``data`` for ``address``: ``row`` bytes from each line, from ``line`` on.

        ``row`` is at least 1 and divides the length of ``data``, which is in the address space.
        """
        if self._next != (address, line, row):
            self._addresses.append(address)
            self._offsets.append(len(self._data))
            self._lines.append(line)
            self._rows.append(row)
        self._data += data
        self._next = (address + len(data), line + len(data) // row, row)

    def refuse_going_on(self, line: int, text: bytes) -> None:
        """Refuse what stands in ``line`` after the end record, once."""
        if not self._goes_on:
            self._goes_on = True
            self.refuse(
                line,
                "the file continues after its end record",
                found=f"{shown(text)} after line {self.end_line}",
                expected="nothing",
                next_step="check whether two files were concatenated",
            )

    def finish(self, entry: int | None, lines: int, end_record: str) -> Decoded:
        """Return what was read of ``lines`` lines; ``end_record``, in words, should be the last.

        Raises ImageFormatError with every problem if there is one.
        """
        others_alone = not self.has_record and not self._data
        if others_alone and self._other_lines == len(self._problems) + self._uncounted:
            raise ImageFormatError(self._no_record())
        if not self.end_line:
            what = "the file ends without an end record"
            expected = f"{end_record} as the last record"
            self.refuse(max(1, lines), what, expected=expected, next_step=f"{RESEND}: its end is missing")
        image = self._image()
        if (runs := len(image.spans())) > MAX_RUNS:
            what, expected = "the file has too many separate runs of bytes", f"at most {MAX_RUNS:,}"
            step = "have the gaps between them filled, or give a raw binary"
            self._problems.append(
                Problem(what, where=self.name, found=f"{runs:,}", expected=expected, next_step=step)
            )
        if self._problems:
            if self._uncounted:
                count = f"{self._uncounted:,} more problem{'s' if self._uncounted > 1 else ''}"
                self._problems.append(Problem(f"{count} in this file", where=self.name))
            raise ImageFormatError(self._problems)
        return Decoded(image, entry, tuple(self._remarks_in_full()), tuple(self._gaps()))

    def _gaps(self) -> Iterator[RecordGap]:
        """Where records may have been lost, after one as long as most are: others, or a shorter last one.

        A word or a few that are left free on purpose, such as for a checksum, are a power of two.
        """
        stretches = range(len(self._addresses))
        sizes: dict[int, int] = {}
        for index in stretches:
            row, size = self._rows[index], self._offsets[index + 1] - self._offsets[index]
            sizes[row] = sizes.get(row, 0) + size
        usual = max(sizes, key=sizes.__getitem__, default=0)
        for index in (each for each in stretches[:-1] if self._rows[each] == usual):
            size = self._offsets[index + 1] - self._offsets[index]
            end, following = self._addresses[index] + size, self._addresses[index + 1]
            lost, rest = divmod(max(0, following - end), usual)
            gap = RecordGap(
                Span(end, usual * lost + rest), self._lines[index] + size // usual - 1, max(1, lost)
            )
            is_rest = not lost and rest.bit_count() > 1 and not gap.may_be_meant
            if is_rest or (not rest and (lost == 1 or (lost and usual >= MIN_USUAL))):
                yield gap

    def _no_record(self) -> Problem:
        """What is wrong with a file in which no line begins as a record does, once for all of its lines."""
        if not self._problems:
            return Problem("the file is empty", where=self.name, found="no line with text", next_step=RESEND)
        first, what, step = self._problems[0], "the file holds no record", "check that this is the right file"
        found = f"{self._other_lines:,} other lines" if self._other_lines > 1 else first.found
        return Problem(what, where=self.name, found=found, expected=first.expected, next_step=step)

    def _remarks_in_full(self) -> Iterator[Problem]:
        for what, (line, count, next_step) in self._remarks.items():
            times = f"{count:,} times, the first one here" if count > 1 else "once"
            yield Problem(what, where=f"{self.name}:{line}", found=times, next_step=next_step)

    def _image(self) -> SparseBytes:
        """Bring the stretches together in address order, noting bytes given twice."""
        image = SparseBytes()
        self._offsets.append(len(self._data))
        run, reached = bytearray(), 0
        with memoryview(self._data) as data:
            for index in sorted(range(len(self._addresses)), key=self._addresses.__getitem__):
                address = self._addresses[index]
                piece = data[self._offsets[index] : self._offsets[index + 1]]
                if address != reached or len(run) + len(piece) > MAX_RUN:
                    image.write(reached - len(run), run)
                    run.clear()
                if address < reached:
                    self._add(image, address, piece, self._lines[index])
                elif len(piece) > MAX_RUN:
                    image.write(address, piece)
                else:
                    run += piece
                reached = max(reached, address + len(piece))
        image.write(reached - len(run), run)
        return image

    def _add(self, image: SparseBytes, address: int, piece: memoryview, line: int) -> None:
        """Add to ``image`` what overlaps something that it holds already."""
        conflicts = image.add(address, piece)
        for conflict in conflicts:
            self._refuse_conflict(conflict.address)
        if not conflicts:
            self.remark(line, REPEATED, "check whether two files were concatenated")

    def _refuse_conflict(self, address: int) -> None:
        """Note once that lines disagree about the byte at ``address``, naming the first two that do."""
        if address in self._conflicting:
            return
        if len(self._problems) >= MAX_PROBLEMS:
            self._uncounted += 1
            return
        self._conflicting.add(address)
        given = self._given(address)
        first_line, first_byte = next(given)
        line, byte = next((line, byte) for line, byte in given if byte != first_byte)
        over = self._started_over(first_line, line)
        if over in self._over:
            return
        if over:
            self._over.add(over)
        self.refuse(
            line,
            f"a second, different byte for {format_address(address)}",
            found=f"0x{byte:02X} here, 0x{first_byte:02X} in line {first_line}",
            expected="one value for each address",
            next_step=f"the addresses start over in line {over}: check whether records with their upper half (04) "
            "are missing, or two files were concatenated"
            if over
            else "check whether two files were concatenated, or one was edited",
        )

    def _started_over(self, first: int, last: int) -> int:
        """The first line after ``first``, up to ``last``, that goes back inside its 64 KiB; 0 if none does."""
        for index in range(1, len(self._addresses)):
            size = self._offsets[index] - self._offsets[index - 1]
            reached, address = self._addresses[index - 1] + size, self._addresses[index]
            if (
                first < self._lines[index] <= last
                and address >> 16 == reached - 1 >> 16
                and reached - address > BACK
            ):
                return self._lines[index]
        return 0

    def _given(self, address: int) -> Iterator[tuple[int, int]]:
        """Each (line, byte) that the file gives for ``address``, in file order; looks at every stretch."""
        for index, start in enumerate(self._addresses):
            offset = self._offsets[index] + address - start
            if self._offsets[index] <= offset < self._offsets[index + 1]:
                yield self._lines[index] + (address - start) // self._rows[index], self._data[offset]


def shown(text: bytes) -> str:
    """Quote the beginning of ``text``, with escapes for whatever is not printable ASCII."""
    return f"'{repr(text[:MAX_SHOWN])[2:-1]}{'...' if len(text) > MAX_SHOWN else ''}'"


def line_words(text: bytes) -> tuple[str, str]:
    """What a line that is no record is, and what to do about it.

    It is not quoted, since the file may be another one, with a secret in it.
    """
    if text.startswith(b"\xef\xbb\xbf"):
        return "a byte order mark", "save it as ASCII, or as UTF-8 without a byte order mark"
    if text[:1] == b":":
        return "a line of Intel HEX", RESEND
    if text[:1] in (b"S", b"s") and text[1:2].isdigit():
        return "a line of S-records", RESEND
    return f"a line of {len(text):,} other characters", RESEND


def fault_of_digits(digits: bytes, column: int) -> tuple[str, str, str]:
    """Say why ``digits``, which begin at ``column`` (from 1) of their line, are no bytes.

    Returns what is wrong, what was found and what was expected.
    """
    for at, value in enumerate(digits, column):
        if value not in b"0123456789ABCDEFabcdef":
            return "a character that is no digit", f"{shown(bytes((value,)))} in column {at}", "0-9 or A-F"
    return "a cut line", f"an odd number of digits ({len(digits)})", "two digits a byte"
