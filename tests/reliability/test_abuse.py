"""Abuse on the command line: exit code 1 or 2, what is wrong in words, never a traceback, never a hang."""

from __future__ import annotations

import os
import resource
import shutil
import subprocess
from pathlib import Path
from typing import NamedTuple

import pytest
from runs import (
    BUILDS,
    GEMEL,
    JOIN,
    as_other_user,
    contents,
    environment,
    run,
    write_device,
)
from small_device import layout_text, station_elf

MEMORY = 600 << 20
"""Address space that a run may take, in bytes: endless input must not fill the machine."""


class Abuse(NamedTuple):
    """One abuse: the words behind ``gemel``, and pieces of what stderr must say."""

    words: tuple[str, ...]
    says: tuple[str, ...]
    code: int = 2


OUT = ("-o", "out.hex")
CHECK = ("check", "small.toml")


def join(layout: str = "small.toml", *builds: str) -> tuple[str, ...]:
    """The words of a join; both builds unless others are given."""
    return ("join", layout, *(builds or BUILDS), *OUT)


ABUSES = {
    # the words themselves
    "nothing": Abuse((), ("Usage", "join")),
    "no such command": Abuse(("joni",), ("joni", "join")),
    "no such option": Abuse(("join", "--no-such"), ("unknown option", "--no-such", "gemel join --help")),
    "join without anything": Abuse(("join",), ("missing option --output", "gemel join --help")),
    "join without an output": Abuse(JOIN, ("missing option --output", "-o")),
    "check with an option for an image, without one": Abuse(
        (*CHECK, "--trust", "key.pem"), ("missing argument IMAGE", "[LAYOUT] IMAGE")
    ),
    "empty words": Abuse(("join", "", "", "-o", ""), ("the output is a folder",)),
    "an option's value is missing": Abuse(("join", "small.toml", "-o"), ("requires an argument",)),
    # layouts
    "layout missing": Abuse(join("none.toml"), ("none.toml", "No such file", "readable file")),
    "layout is a folder": Abuse(join("folder"), ("folder", "a folder", "a file or a pipe")),
    "layout is an endless device": Abuse(join("zero.toml"), ("zero.toml", "a device", "a file or a pipe")),
    "layout is empty": Abuse(join("empty.toml"), ("empty.toml", "format")),
    "layout is a build": Abuse(
        join("station.elf"), ("station.elf", "an ELF file", "gemel draft station=station.elf")
    ),
    "layout is an image": Abuse(join("image.hex"), ("image.hex", "TOML")),
    "layout is not UTF-8": Abuse(join("latin.toml"), ("latin.toml:2", "UTF-8")),
    "layout has a NUL": Abuse(join("nul.toml"), ("nul.toml", "TOML")),
    "layout too large": Abuse(join("large.toml"), ("large.toml", "too large", "524,288")),
    "layout nested too deeply": Abuse(join("deep.toml"), ("deep.toml", "nested too deeply")),
    "layout with a number of 5000 digits": Abuse(join("digits.toml"), ("digits.toml",)),
    "layout with a size of 2**70": Abuse(join("sizes.toml"), ("sizes.toml", "memory.flash.size")),
    "layout names a path with a NUL": Abuse(
        ("join", "nul-path.toml", "sampler=sampler.elf", *OUT),
        ("nul-path.toml", "build.station.path", "control characters"),
    ),
    "layout names a path that is a folder": Abuse(
        ("join", "folder-path.toml", "sampler=sampler.elf", *OUT), ("folder", "a folder")
    ),
    # builds
    "build missing": Abuse(join("small.toml", "station=none.elf", BUILDS[1]), ("none.elf", "No such file")),
    "every build missing": Abuse(
        join("small.toml", "station=none.elf", "sampler=nil.elf"), ("none.elf", "nil.elf", "2 errors")
    ),
    "build not given": Abuse(join("small.toml", BUILDS[0]), ("sampler", "missing", "sampler=FILE")),
    "build without a name": Abuse(join("small.toml", "station.elf"), ("station.elf", "station=station.elf")),
    "build with an empty file name": Abuse(join("small.toml", "station="), ("station=", "NAME=FILE")),
    "build of another name": Abuse(
        join("small.toml", "statoin=station.elf"), ("statoin", "station, sampler", "did you mean")
    ),
    "build given twice": Abuse(join("small.toml", *BUILDS, BUILDS[0]), ("given twice", "station")),
    "builds the wrong way round": Abuse(
        join("small.toml", "station=sampler.elf", "sampler=station.elf"), ("station", "0x1000_1000"), 1
    ),
    "build is a folder": Abuse(join("small.toml", "station=folder", BUILDS[1]), ("folder", "a file")),
    "build is an endless device": Abuse(join("small.toml", "station=zero.elf", BUILDS[1]), ("a device",)),
    "build is a pipe": Abuse(join("small.toml", "station=pipe.elf", BUILDS[1]), ("a pipe", "copy it")),
    "build is stdin": Abuse(
        join("small.toml", "station=/dev/stdin", BUILDS[1]), ("/dev/stdin", "a pipe", "copy it")
    ),
    "build is empty": Abuse(join("small.toml", "station=empty.elf", BUILDS[1]), ("empty.elf", "0 bytes")),
    "build is the layout": Abuse(
        join("small.toml", "station=small.toml", BUILDS[1]), ("small.toml", "ELF, Intel HEX")
    ),
    "build is noise": Abuse(join("small.toml", "station=noise.elf", BUILDS[1]), ("noise.elf", "7F 45 4C 46")),
    "build is cut": Abuse(join("small.toml", "station=cut.elf", BUILDS[1]), ("cut.elf", "the file is cut")),
    "build is noise with the right start": Abuse(
        join("small.toml", "station=elfish.elf", BUILDS[1]), ("elfish.elf", "expected")
    ),
    "build has a name that is no text": Abuse(
        join("small.toml", "station=\udcff.elf", BUILDS[1]), (r"build station (\xff.elf)", "No such file")
    ),
    "build has a name that is too long": Abuse(
        join("small.toml", f"station={'x' * 5000}", BUILDS[1]), ("File name too long",)
    ),
    # images
    "image missing": Abuse((*CHECK, "none.hex"), ("none.hex", "No such file")),
    "image is a folder": Abuse((*CHECK, "folder.hex"), ("folder.hex", "a folder")),
    "image is an endless device": Abuse((*CHECK, "zero.bin"), ("zero.bin", "a device")),
    "image without a suffix": Abuse((*CHECK, "image"), ("image", "no suffix", ".hex")),
    "image is the layout": Abuse((*CHECK, "small.toml"), ("small.toml", ".toml", ".hex")),
    "image is the layout, renamed": Abuse(
        (*CHECK, "layout.hex"), ("layout.hex", "the file holds no record", "other lines")
    ),
    "image is a build, renamed": Abuse((*CHECK, "station.hex"), ("station.hex", "a build, not an image")),
    "image is an empty HEX file": Abuse((*CHECK, "empty.hex"), ("empty.hex", "the file is empty")),
    "image is an empty S-record file": Abuse((*CHECK, "empty.srec"), ("empty.srec",)),
    "image is an empty raw binary": Abuse((*CHECK, "empty.bin"), ("empty.bin", "the file is empty")),
    "image is one long line": Abuse((*CHECK, "line.hex"), ("line.hex:1", "too long")),
    "image and layout swapped": Abuse(
        ("check", "image.hex", "small.toml"), ("the layout comes first", "small.toml image.hex")
    ),
    "raw binary at no address": Abuse((*CHECK, "image.bin", "--at", "here"), ("here", "0x0000_0000")),
    "raw binary beyond 4 GiB": Abuse((*CHECK, "image.bin", "--at", "0x1_0000_0000"), ("0xFFFF_FFFF",)),
    "raw binary at the end": Abuse((*CHECK, "image.bin", "--at", "0xFFFF_FFFF"), ("beyond", "image.bin")),
    "raw binary at 5000 digits": Abuse((*CHECK, "image.bin", "--at", "9" * 5000), ("0xFFFF_FFFF",)),
    "raw binary at minus one": Abuse((*CHECK, "image.bin", "--at", "-1"), ("0xFFFF_FFFF",)),
    "raw binary at digits without 0x": Abuse(
        (*CHECK, "image.bin", "--at", "0800ABCD"), ("write 0x0800ABCD",)
    ),
    "HEX at an address": Abuse(
        (*CHECK, "image.hex", "--at", "0x1000_0000"), ("addresses of their own", "leave --at out")
    ),
    "image is a build": Abuse((*CHECK, "station.elf"), ("a build, not an image", "gemel join")),
    "image is a folder without a suffix": Abuse((*CHECK, "folder"), ("folder", "a folder")),
    "image has a forged line in its name": Abuse(
        (*CHECK, "a.hex\nPASS: \x1b[2Kall.hex"), (r"a.hex\nPASS: \x1b[2Kall.hex",)
    ),
    "no such format": Abuse((*CHECK, "image.hex", "--format", "xml"), ("xml", "json")),
    # the other commands
    "show without an image": Abuse(("show",), ("missing argument IMAGE",)),
    "show of no file": Abuse(("show", "none.hex"), ("none.hex", "No such file")),
    "show of a build": Abuse(("show", "station.elf"), ("a build, not an image", "gemel join")),
    "show of a raw binary at no address": Abuse(("show", "image.bin"), ("image.bin", "--at ADDRESS")),
    "show of builds without a layout": Abuse(("show", "image.hex", *BUILDS), ("LAYOUT",)),
    "show by a layout that is an image": Abuse(
        ("show", "image.hex", "image.hex"), ("one file too many", "compare")
    ),
    "show of an endless device": Abuse(("show", "zero.bin", "--at", "0"), ("zero.bin", "a device")),
    "explain of no rule": Abuse(("explain", "reset-handler-in-coda"), ("reset-handler-in-code",)),
    "export of nothing": Abuse(("export", "no-such"), ("no-such", "c-reader")),
    "export to no folder": Abuse(
        ("export", "c-reader", "-o", "none/a.h"), ("none/a.h", "make it first: mkdir -p none")
    ),
    "export to a folder": Abuse(("export", "c-reader", "-o", "folder"), ("the output is a folder",)),
    "demo in a file": Abuse(("demo", "small.toml"), ("small.toml", "a file")),
    "demo in a folder with files": Abuse(("demo", "."), ("a folder with files in it",)),
    "demo in a name too long": Abuse(("demo", "x" * 300), ("File name too long",)),
    # versions and counters
    "version of two numbers": Abuse((*join(), "--version", "1.2"), ("1.2", "X.Y.Z")),
    "version of huge numbers": Abuse((*join(), "--version", "1.2.99999999999"), ("X.Y.Z", "4294967295")),
    "version of other digits": Abuse((*join(), "--version", "1.٢.3"), ("X.Y.Z",)),
    "version with a NUL's look": Abuse((*join(), "--version", "1.2.3\n"), ("X.Y.Z",)),
    "rollback of a word": Abuse((*join(), "--rollback", "seven"), ("seven", "0 to 4,294,967,295")),
    "rollback below zero": Abuse((*join(), "--rollback", "-1"), ("-1", "4,294,967,295")),
    "rollback of 5000 digits": Abuse((*join(), "--rollback", "9" * 5000), ("rollback",)),
    # outputs
    "output without a suffix": Abuse((*JOIN, "-o", "out"), ("out", "no suffix")),
    "output of a near suffix": Abuse((*JOIN, "-o", "out.hexx"), ("did you mean .hex?",)),
    "output is named as a build": Abuse((*JOIN, "-o", "out.elf"), ("names a build, not an image", "out.hex")),
    "output is named as another toolchain's build": Abuse((*JOIN, "-o", "a.out"), ("names a build",)),
    "output in no folder": Abuse(
        (*JOIN, "-o", "none/out.hex"), ("none", "no such folder", "make it first: mkdir -p none")
    ),
    "output below a file": Abuse((*JOIN, "-o", "small.toml/out.hex"), ("a file in its place",)),
    "output is a folder": Abuse((*JOIN, "-o", "folder.hex"), ("the output is a folder",)),
    "output is a device": Abuse((*JOIN, "-o", "null.hex"), ("the output is a device",)),
    "output is a pipe": Abuse((*JOIN, "-o", "pipe.hex"), ("the output is a pipe",)),
    "output twice": Abuse((*JOIN, *OUT, *OUT), ("two outputs are one file",)),
    "output twice by another path": Abuse((*JOIN, *OUT, "-o", "folder/../out.hex"), ("two outputs are one",)),
    "output is the layout": Abuse(
        ("join", "toml.hex", *BUILDS, "-o", "toml.hex"), ("an output is an input", "toml.hex")
    ),
    "output is a build": Abuse(
        (*("join", "small.toml", "station=flat.hex", BUILDS[1]), "-o", "flat.hex"), ("an output is an input",)
    ),
    "output is a build under another name": Abuse(
        (*("join", "small.toml", "station=flat.hex", BUILDS[1]), "-o", "flat-link.hex"),
        ("an output is an input",),
    ),
    "all of it at once": Abuse(
        (*JOIN, "-o", "folder.hex", "-o", "null.hex", "-o", "none/a.hex", "-o", "null.hex"), ("5 errors",)
    ),
}


@pytest.fixture(scope="module")
def device(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small device as files, its image, and everything that the abuses name."""
    folder = write_device(tmp_path_factory.mktemp("device"))
    made = run(*JOIN, "-o", "image.hex", "-o", "image.bin", cwd=folder)
    assert made.returncode == 0, made.stderr
    for name in ("empty.toml", "empty.elf", "empty.hex", "empty.srec", "empty.bin", "image"):
        (folder / name).write_bytes(b"")
    for name in ("folder", "folder.hex"):
        (folder / name).mkdir()
    for name in ("zero.toml", "zero.elf", "zero.bin"):
        (folder / name).symlink_to("/dev/zero")
    (folder / "null.hex").symlink_to("/dev/null")
    for name in ("pipe.elf", "pipe.hex"):
        os.mkfifo(folder / name)
    text = layout_text()
    texts = {
        "latin.toml": b"format = 1\n# gr\xf6sse\n",
        "nul.toml": b"format = 1\nproduct = 'a\0b'\n",
        "large.toml": b"#" * ((1 << 20) + 1),
        "deep.toml": b"a = " + b"[" * 100_000,
        "digits.toml": b"format = " + b"9" * 5000,
        "sizes.toml": text.replace('size = "16 KiB"\nerase', f"size = {1 << 70}\nerase").encode(),
        "nul-path.toml": with_path(r"a\u0000b").encode(),
        "folder-path.toml": with_path("folder").encode(),
        "noise.elf": bytes(range(200, 256)) * 50,
        "cut.elf": station_elf()[:400],
        "elfish.elf": b"\x7fELF" + b"\xff" * 500,
        "layout.hex": text.encode(),
        "toml.hex": text.encode(),
        "station.hex": station_elf(),
        "line.hex": b":" + b"0" * 3_000_000,
        "flat.hex": b":0400000010000000EC\n:00000001FF\n",
    }
    for name, data in texts.items():
        (folder / name).write_bytes(data)
    (folder / "flat-link.hex").symlink_to("flat.hex")
    return folder


def with_path(path: str) -> str:
    """The layout in which the station's build has a path."""
    return layout_text({'stored_in = "station-code"': f'stored_in = "station-code"\npath = "{path}"'})


@pytest.mark.parametrize("name", ABUSES)
def test_abuse(device: Path, name: str) -> None:
    """One line of the table: its exit code, its words on stderr, no traceback, no file made or changed."""
    abuse = ABUSES[name]
    before = contents_of_files(device)
    done = subprocess.run(
        [*GEMEL, *(word.encode("utf-8", "surrogateescape") for word in abuse.words)],
        cwd=device,
        env=environment(),
        input=b"",
        capture_output=True,
        timeout=20,
        check=False,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY)),
    )
    said = done.stderr.decode("utf-8")
    assert done.returncode == abuse.code, said
    assert "Traceback" not in said
    assert "fault in gemel" not in said
    assert "Error:" not in said
    in_one_line = " ".join(said.split())
    for piece in abuse.says:
        assert piece in in_one_line, said
    for line in said.splitlines():
        assert len(line) <= 80 or " " not in line[12:], line
    assert said or done.stdout
    assert contents_of_files(device) == before


def contents_of_files(folder: Path) -> dict[str, bytes]:
    """The plain files in a folder; what is behind links to devices and in pipes is not read."""
    plain = [path for path in folder.iterdir() if path.is_file() and not path.is_symlink()]
    return {path.name: path.read_bytes() for path in plain}


@pytest.mark.parametrize("name", ["small.toml", "station.elf", "image.hex"])
def test_unreadable_file(tmp_path: Path, name: str) -> None:
    """A file without read permission is named with the system's reason."""
    folder = write_device(tmp_path / "device")
    assert run(*JOIN, "-o", "image.hex", cwd=folder).returncode == 0
    (folder / name).chmod(0)
    words = (*CHECK, "image.hex", *BUILDS)
    done = run(*words, cwd=folder, before=as_other_user())
    assert done.returncode == 2
    assert name in done.stderr
    assert "Permission denied" in done.stderr
    assert "Traceback" not in done.stderr


def test_layout_and_image_may_come_through_pipes(device: Path) -> None:
    """What is read from start to end may be a pipe, as a shell's process substitution makes it."""
    script = 'exec "$@" check <(cat small.toml) image.hex station=station.elf sampler=sampler.elf'
    done = subprocess.run(
        ["bash", "-c", script, "bash", *GEMEL],
        cwd=device,
        env=environment(),
        capture_output=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("suffix", ["bin", "hex", "srec"])
def test_an_endless_pipe_ends(device: Path, suffix: str) -> None:
    """An image that never ends is refused after a bounded amount, in bounded memory."""
    script = f'exec "$@" check small.toml <(exec cat /dev/zero) --as {suffix}'
    done = subprocess.run(
        ["bash", "-c", script, "bash", *GEMEL],
        cwd=device,
        env=environment(),
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_AS, (2 * MEMORY, 2 * MEMORY)),
    )
    assert done.returncode == 2
    assert "/dev/fd/" in done.stderr
    assert "Traceback" not in done.stderr


FULL_OR_CLOSED = {
    "stdout closed": ('exec "$@" >&-', 0),
    "stdout full": ('exec "$@" >/dev/full', 2),
    "stderr closed": ('exec "$@" 2>&-', 0),
    "both closed": ('exec "$@" >&- 2>&-', 0),
    "both full": ('exec "$@" >/dev/full 2>&1', 2),
    "stdin closed": ('exec "$@" <&-', 0),
    "nobody reads": ('"$@" | true; exit ${PIPESTATUS[0]}', None),
    "nobody reads on": ('"$@" | head -c 1 >/dev/null; exit ${PIPESTATUS[0]}', None),
}


@pytest.mark.parametrize("name", FULL_OR_CLOSED)
def test_streams_that_are_closed_or_full(tmp_path: Path, name: str) -> None:
    """Without streams to write to a join either ends well with its output there, or with 2 and none."""
    folder = write_device(tmp_path / "device")
    script, code = FULL_OR_CLOSED[name]
    done = subprocess.run(
        ["bash", "-c", script, "bash", *GEMEL, *JOIN, "-o", "out.hex", "-o", "out.bin"],
        cwd=folder,
        env=environment(),
        capture_output=True,
        text=True,
        check=False,
    )
    assert "Traceback" not in done.stderr
    assert "Exception ignored" not in done.stderr
    assert done.returncode in ((0, 2) if code is None else (code,)), done.stderr
    written = {name for name in contents(folder) if name.startswith(("out", "."))}
    assert written == ({"out.hex", "out.bin"} if done.returncode == 0 else set())


def test_an_image_for_a_closed_stdout_is_refused(tmp_path: Path) -> None:
    """An image that was to go to stdout has nowhere to go where that is closed."""
    folder = write_device(tmp_path / "device")
    words = [*GEMEL, *JOIN, "-o", "-", "--as", "hex"]
    script = ["bash", "-c", 'exec "$@" >&-', "bash", *words]
    done = subprocess.run(script, cwd=folder, env=environment(), capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert "the result cannot be printed" in done.stderr
    assert "it is closed" in done.stderr


COMMANDS = {
    "nothing": (),
    "help": ("--help",),
    "usage": ("join",),
    "check": ("check", "none.toml", "none.hex"),
    "show": ("show", "image.hex"),
    "show JSON": ("show", "image.hex", "--format", "json"),
    "export": ("export", "c-reader"),
    "explain": ("explain",),
    "demo": ("demo", "demo"),
}


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_without_streams(device: Path, tmp_path: Path, name: str) -> None:
    """Whatever cannot be printed ends with 2; without a stdout at all a command ends as it would with one."""
    (tmp_path / "image.hex").write_bytes((device / "image.hex").read_bytes())
    codes = []
    for streams in (">/dev/full 2>&1", ">/dev/null 2>&1", ">&-"):
        done = subprocess.run(
            ["bash", "-c", f'exec "$@" {streams}', "bash", *GEMEL, *COMMANDS[name]],
            cwd=tmp_path,
            env=environment(),
            capture_output=True,
            text=True,
            check=False,
        )
        assert "Traceback" not in done.stderr
        assert "fault in gemel" not in done.stderr
        shutil.rmtree(tmp_path / "demo", ignore_errors=True)
        codes.append(done.returncode)
    assert codes[0] == 2
    assert codes[1] == codes[2]
