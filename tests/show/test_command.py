"""``gemel show`` as a process: files, errors, terminals."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from in_process import bytes_here
from show.make_golden import GOLDEN
from tide_gauge import BUILT, ROOT, join, layout_file

from gemel.text.styled import width_of

SOURCE = str(ROOT / "imgtool_src")


def gemel(*arguments: str, **changes: str) -> subprocess.CompletedProcess[bytes]:
    """Runs ``gemel show`` in this process; output that goes to no terminal."""
    return bytes_here("show", *arguments, cwd=Path.cwd(), changes=changes)


def process(*arguments: str, **environment: str) -> subprocess.CompletedProcess[bytes]:
    """The same as a process of its own, for what Python itself makes of the environment."""
    kept = {name: value for name, value in os.environ.items() if name not in ("COLUMNS", "NO_COLOR")}
    variables = {**kept, "PYTHONPATH": SOURCE, "PYTHONIOENCODING": "utf-8", **environment}
    return subprocess.run(
        [sys.executable, "-m", "gemel", "show", *arguments], env=variables, capture_output=True, check=False
    )


@pytest.fixture(scope="module")
def image(tmp_path_factory):
    """The in-place gauge joined to HEX and BIN; the HEX file."""
    folder = tmp_path_factory.mktemp("show")
    join("in-place", folder / "tide.hex", folder / "tide.bin")
    return folder / "tide.hex"


@pytest.fixture(scope="module")
def arguments(image):
    """Image, layout and both builds."""
    builds = [f"{name}={BUILT / 'in-place' / name}.elf" for name in ("station", "sampler")]
    return [str(layout_file("in-place")), str(image), *builds]


def test_prints_the_stored_text(arguments):
    """The command prints the stored rendering of the gauge at 80 columns, without colour, and ends with 0."""
    done = process(*arguments)
    assert done.returncode == 0, done.stderr
    assert done.stderr == b""
    assert done.stdout.decode() == (GOLDEN / "in-place-80.txt").read_text(encoding="utf-8")


def test_same_bytes_whatever_the_hash_seed(arguments):
    """Two runs with different hash seeds print the same bytes, as text and as JSON."""
    for form in ("text", "json"):
        runs = [process(*arguments, "--format", form, PYTHONHASHSEED=seed) for seed in ("1", "2")]
        assert runs[0].stdout == runs[1].stdout
        assert runs[0].stdout


def test_json(arguments):
    """With --format json the output is one JSON document that names files, not folders."""
    done = gemel(*arguments, "--format", "json")
    data = json.loads(done.stdout)
    assert data["image"]["file"] == "tide.hex"
    assert data["layout"]["file"] == "tide-gauge-in-place.toml"
    assert str(ROOT).encode() not in done.stdout


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "latin-1"])
def test_falls_back_to_ascii(arguments, encoding):
    """Where the output's encoding has no block characters, the picture is made of ASCII."""
    done = process(*arguments, PYTHONIOENCODING=encoding)
    assert done.stdout.decode() == (GOLDEN / "in-place-80-ascii.txt").read_text(encoding="utf-8")


def test_columns_set_the_width(arguments):
    """COLUMNS sets the width; below 60 it stays at 60."""
    for columns, golden in (("120", "in-place-120"), ("60", "in-place-60"), ("20", "in-place-60")):
        done = gemel(*arguments, COLUMNS=columns)
        assert done.stdout.decode() == (GOLDEN / f"{golden}.txt").read_text(encoding="utf-8")


def test_raw_binary(image, arguments):
    """A raw binary goes to the layout's first flash; alone it needs --at, and the error says so."""
    done = gemel(arguments[0], str(image.with_suffix(".bin")), *arguments[2:])
    assert done.returncode == 0
    assert "4,780 bytes used" in done.stdout.decode()
    alone = gemel(str(image.with_suffix(".bin")))
    assert alone.returncode == 2
    assert b"--at ADDRESS" in alone.stderr
    placed = gemel(str(image.with_suffix(".bin")), "--at", "0x1000_0000")
    assert placed.returncode == 0
    assert "0x1000_0000..0x1001_020F" in placed.stdout.decode()


def test_an_elf_file_is_not_an_image(tmp_path):
    """An ELF file, whatever its suffix, is refused with what to do instead."""
    for name in ("station.elf", "station.bin"):
        path = tmp_path / name
        path.write_bytes((BUILT / "in-place" / "station.elf").read_bytes())
        done = gemel(str(path), "--at", "0")
        assert done.returncode == 2
        assert done.stdout == b""
        assert b"this is a build, not an image" in done.stderr
        assert b"gemel join LAYOUT station=" in b" ".join(done.stderr.split())


def test_builds_need_a_layout(image):
    """Builds without a layout are refused with the option that is missing."""
    done = gemel(str(image), "station=station.elf")
    assert done.returncode == 2
    assert b"LAYOUT before the image" in done.stderr


def test_a_missing_file_is_named(tmp_path):
    """A file that is not there is an error in plain words, no traceback."""
    done = gemel(str(tmp_path / "none.hex"))
    assert done.returncode == 2
    assert b"none.hex" in done.stderr
    assert b"Traceback" not in done.stderr


PROGRESS = re.compile("\r\x1b\\[\\?25l.*?\x1b\\[K\x1b\\[\\?25h", re.DOTALL)
"""The bar of a slow run, until it is gone."""


def on_terminal(arguments, **environment: str) -> str:
    """What the command sends to a terminal of 100 columns; POSIX has pseudo-terminals, others skip loudly."""
    pty = pytest.importorskip("pty", reason="this system has no pseudo-terminals")
    import fcntl
    import struct
    import termios

    leader, follower = pty.openpty()
    fcntl.ioctl(follower, termios.TIOCSWINSZ, struct.pack("HHHH", 50, 100, 0, 0))
    kept = {name: value for name, value in os.environ.items() if name not in ("COLUMNS", "NO_COLOR")}
    process = subprocess.Popen(
        [sys.executable, "-m", "gemel", "show", *arguments],
        env={**kept, "PYTHONPATH": SOURCE, "PYTHONIOENCODING": "utf-8", "TERM": "xterm", **environment},
        stdin=follower,
        stdout=follower,
        stderr=follower,
    )
    os.close(follower)
    sent = b""
    while True:
        try:
            block = os.read(leader, 65_536)
        except OSError:  # Linux reports the end of a pseudo-terminal as an error
            break
        if not block:
            break
        sent += block
    process.wait()
    os.close(leader)
    return PROGRESS.sub("", sent.decode()).replace("\r\n", "\n")


def test_colour_is_for_terminals_and_says_nothing_alone(arguments):
    """On a terminal there is colour, of the terminal's width; with NO_COLOR the same text without any."""
    coloured = on_terminal(arguments)
    plain = on_terminal(arguments, NO_COLOR="1")
    assert "\x1b[" in coloured
    assert "\x1b" not in plain
    assert re.sub(r"\x1b\[[0-9;]*m", "", coloured) == plain
    widths = [width_of(line) for line in plain.splitlines()]
    assert 80 < max(widths) <= 100
