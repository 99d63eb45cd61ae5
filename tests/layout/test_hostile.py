"""Hostile layouts: a LayoutError of at most a hundred messages, in bounded time and memory."""

from __future__ import annotations

import subprocess
import sys
import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from layout.reading import FILE, messages, problems, read
from layout.toml_values import mutated
from runs import environment
from seconds import within
from small_device import LAYOUT, layout_text

from gemel.errors import LayoutError
from gemel.layout.checks.memories import MIN_DECIMAL
from gemel.layout.digest import digest_of
from gemel.layout.reader import MAX_BYTES, MAX_FAULTS, MAX_KEY_PARTS

MAX_SECONDS = 10.0
"""Far above what any of these takes (the slowest 2 s on a slow machine), far below a quadratic one."""


def filled(head: str, piece: str, tail: str = "") -> str:
    """``head``, ``tail`` and between them as many of ``piece``, numbered, as the largest file holds."""
    pieces = []
    size = len(head) + len(tail)
    while True:
        next_piece = piece.replace("@", str(len(pieces)))
        size += len(next_piece)
        if size > MAX_BYTES:
            return head + "".join(pieces) + tail
        pieces.append(next_piece)


LARGEST = {
    "100k unknown keys": lambda: filled("", "k@=1\n"),
    "unknown keys near to known ones": lambda: filled("[memory.a]\n", "erase_bloc@=1\n"),
    "keys of a whole megabyte": lambda: "k" * (MAX_BYTES - 3) + "=1",
    "quoted keys without end": lambda: filled("", '"', ""),
    "memories": lambda: filled("[memory]\n", 'a@={kind="ram",start=0,size=1}\n'),
    "areas on each other": lambda: filled(
        LAYOUT.split("[area]")[0] + "[area]\n", 'a@={memory="ram",offset=0,size=1,purpose="data"}\n'
    ),
    "stamps on each other": lambda: filled(
        layout_text(), '[[stamp]]\nname="a@"\nat=0x1000_0000\nwidth=256\nvalue=0\n'
    ),
    "checksum ranges": lambda: filled(
        LAYOUT.split("over = ")[0] + "over = [", '"station-code",', "]\nat = 0x1000_3FFC\n"
    ),
    "a list over all lines": lambda: filled("product = [", "\n@,", "]"),
    "an inline table over one line": lambda: filled("product = {", "a@=1,", "a=1}"),
    "arrays of tables": lambda: filled("", "[[stamp]]\n[[stamp.at]]\n"),
    "tables by header": lambda: filled("", "[memory.a@]\n"),
    "dotted keys": lambda: filled("", ".".join("a" * (MAX_KEY_PARTS - 2)) + ".k@=1\n"),
    "text": lambda: filled('product = "', "x", '"'),
    "text over lines": lambda: filled('product = """', "\n x", '"""'),
    "comments": lambda: filled("", "# a.b.c\n"),
    "blank lines": lambda: filled("", "\n"),
    "a long number": lambda: "rollback = 0x" + "F" * (MAX_BYTES - 20),
    "a long float": lambda: "rollback = 1." + "9" * (MAX_BYTES - 20),
    "quotes in text": lambda: filled("product = '''", "''a", "'''"),
    "escapes in keys": lambda: filled("", '"\\u0061@"=1\n'),
}


@pytest.mark.parametrize("what", LARGEST)
def test_a_file_of_the_largest_size_is_refused_in_bounded_time(what: str) -> None:
    """Whatever fills the file, reading it ends soon, with a bounded number of printable messages."""
    text = LARGEST[what]()
    assert len(text.encode()) <= MAX_BYTES
    with within(MAX_SECONDS):
        told = messages(text)
    assert 1 <= len(told) <= MAX_FAULTS + 1
    assert all(message.startswith(f"{FILE}") and message.isprintable() for message in told)
    assert sum(map(len, told)) < 100_000


PEAK = """
import resource, sys
from gemel.errors import LayoutError
from gemel.layout.reader import read_layout
data = sys.stdin.buffer.read()
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
try:
    read_layout(data, "hostile.toml")
except LayoutError as error:
    print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before, len(error.problems))
"""
"""Prints how many KiB more a process of its own takes at its peak when it reads a layout, and how many faults."""


@pytest.mark.parametrize("what", ["tables by header", "a list over all lines"])
def test_memory_stays_bounded_on_the_largest_file(what: str) -> None:
    """Reading 1 MiB of hostile tables, keys or values takes at most 100 MiB at peak."""
    # A process's peak begins with that of the one it was forked from: a small one stands between.
    words = ["sh", "-c", '"$@"; exit $?', "sh", sys.executable, "-c", PEAK]
    done = subprocess.run(
        words, input=LARGEST[what]().encode(), capture_output=True, env=environment(), check=True
    )
    peak, faults = map(int, done.stdout.split())
    assert 1 << 10 < peak < 100 << 10
    assert faults


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (b"a" * (MAX_BYTES + 1), "the layout file is too large"),
        (b"a = " + b"[" * 100_000, "the layout is nested too deeply"),
        (b"a = " + b"{a=" * 100_000, "the layout is nested too deeply"),
        (b"a = " + b"[" * 100_000 + b"]" * 100_000, "the layout is nested too deeply"),
        (".".join("a" * MAX_KEY_PARTS).encode() + b".a = 1", "a key of too many parts"),
        (b"[" + b".".join([b"'a'"] * 100_000) + b"]", "a key of too many parts"),
        (b"a = { " + b" . ".join([b'"a.b"'] * 1000) + b" = 1 }", "a key of too many parts"),
        (b"a = 1\0", "not valid TOML"),
        (b"\0" * 100, "not valid TOML"),
        (b"\xff\xfea\0 \0=\0", "the layout is not UTF-8 text"),
        (b"a = '\xed\xa0\x80'", "the layout is not UTF-8 text"),
        (b'a = "\\ud800"', "not valid TOML"),
        (b"a = 99999-99-99", "not valid TOML"),
        (b"a = 1" + b"0" * 100_000, "a number of too many digits"),
        (b"[[a]]\n[a]\n", "not valid TOML"),
        (b"a.b = 1\n[a]\n", "not valid TOML"),
        (b"{}", "not valid TOML"),
        (b"\x7fELF\x01\x01\x01", "not valid TOML"),
    ],
    ids=lambda value: ascii(value)[:24],
)
def test_what_no_parser_takes_is_one_layout_error(data: bytes, what: str) -> None:
    """Size, depth, length of keys, characters and syntax each give one message and nothing else."""
    (problem,) = problems(data)
    assert problem.what.startswith(what)
    assert str(problem).isprintable()


def test_long_keys_up_to_the_limit_are_read() -> None:
    """A key of as many parts as the limit is an unknown key; dots in comments are no key."""
    key = ".".join("a" * MAX_KEY_PARTS)
    assert [problem.what for problem in problems(f"{LAYOUT}\n[rules]\n{key} = 1\n")] == [
        "unknown key: rules.a"
    ]
    dots = "." * 500
    assert read(f"# {dots}\n{LAYOUT}\n[rules]\n# {dots}\n").layout.format == 1


@pytest.mark.parametrize("name", ["__proto__", "__class__", "constructor", "self", "name", "model", "format"])
def test_names_that_mean_something_elsewhere_mean_nothing_here(name: str) -> None:
    """Keys named after parts of programming languages are unknown keys, or names like others."""
    told = messages(LAYOUT.replace("[memory.flash]", f"[memory.flash]\n{name} = 1"))
    assert [message.split(": ")[1] for message in told] == ["unknown key"]
    if not name.startswith("_"):
        renamed = LAYOUT.replace("spare = ", f"{name} = ")
        assert name in read(renamed).layout.areas


@settings(max_examples=500, deadline=None)
@given(mutated(tomllib.loads(LAYOUT)))
def test_a_mutated_layout_is_read_or_refused(document: dict[str, object]) -> None:
    """Any change of the parsed layout gives a layout or printable faults, nothing else."""
    from gemel.layout import reader

    faults: list[object] = []
    layout = reader._layout_in(document, faults)  # type: ignore[arg-type]
    if faults:
        return
    found = [*reader.unknown_names(layout)]
    if not found:
        found = [*reader._all_checks(layout, [reader_check])]
    for fault in found:
        assert (fault.what + fault.expected + fault.next_step).isprintable()
    if not found:
        assert len(digest_of(layout)) == 32


def reader_check(layout: object) -> object:
    """What the commands check beyond this room."""
    from gemel.checksums.in_layout import checksum_faults

    return checksum_faults(layout)  # type: ignore[arg-type]


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=200))
def test_any_bytes_are_a_layout_error(data: bytes) -> None:
    """No bytes get past the reader with another error."""
    with pytest.raises(LayoutError):
        read(data)


@settings(max_examples=300, deadline=None)
@given(st.data())
def test_a_damaged_file_is_read_or_refused(data: st.DataObject) -> None:
    """A layout with bytes removed, doubled or replaced gives a layout or a LayoutError with lines."""
    text = bytearray(LAYOUT.encode())
    for _ in range(data.draw(st.integers(1, 4))):
        start = data.draw(st.integers(0, len(text) - 1))
        size = data.draw(st.integers(0, 30))
        piece = data.draw(st.one_of(st.binary(max_size=4), st.just(bytes(text[start : start + size]) * 2)))
        text[start : start + size] = piece
    try:
        read(bytes(text))
    except LayoutError as error:
        told = error.problems
    else:
        return
    assert all(problem.where.startswith(FILE) and problem.what for problem in told)


@pytest.mark.parametrize(
    ("start", "is_told"),
    [("1000000", True), ("999000", False), ("20000000", True), ("0x190", False), ("0x6000_0190", False)],
)
def test_a_start_without_0x(start: str, is_told: bool) -> None:
    """Thousands in decimal that are no address are hex whose 0x was left out; small and odd numbers are not."""
    assert MIN_DECIMAL == 1_000_000
    text = layout_text({'start = 0x5000_0000\nsize = "4 KiB"': f'start = {start}\nsize = "4 KiB"'})
    if is_told:
        assert any("memory starts at a decimal number" in each.what for each in problems(text))
    else:
        assert read(text).layout.memories["control"].start == int(start, 0)
