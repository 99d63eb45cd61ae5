"""What a command imports: nothing heavy that it does not use, and the help nothing but the command line."""

from __future__ import annotations

import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest
from runs import BUILDS, JOIN, environment, write_device

HEAVY = ("elftools", "intelhex", "cryptography", "rich", "numpy", "cbor2", "msgspec", "unicorn", "capstone")

LISTED = """
import sys
from gemel.cli.main import exit_code
code = exit_code(sys.argv[1:])
sys.stderr.write("\\n".join(sorted(sys.modules)))
sys.exit(code)
"""


@cache
def imported(folder: Path, *words: str) -> set[str]:
    """The modules that an interpreter holds after ``gemel WORDS``."""
    done = subprocess.run(
        [sys.executable, "-c", LISTED, *words],
        cwd=folder,
        env=environment(),
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return set(done.stderr.split())


@pytest.fixture(scope="module")
def device(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small device as files, joined."""
    folder = write_device(tmp_path_factory.mktemp("device"))
    imported(folder, *JOIN, "-o", "tide.hex")
    return folder


COMMANDS = {
    "help": ("--help",),
    "version": ("--version",),
    "join": (*JOIN, "-o", "tide.hex", "-o", "tide.bin"),
    "check": ("check", "./small.toml", "tide.hex"),
    "check with builds": ("check", "small.toml", "tide.hex", *BUILDS),
    "show": ("show", "small.toml", "tide.hex"),
    "explain": ("explain",),
    "compare": ("compare", "small.toml", "tide.hex", "tide.hex"),
    "draft": ("draft", *BUILDS),
    "split": ("split", "small.toml", "tide.hex", "-o", "parts"),
    "where": ("where", "small.toml", "0x10000000"),
}
WITH_PATHS = {
    "audit": ("audit", "small.toml", "tide.hex"),
    "export": ("export", "linker", "small.toml"),
}
"""Commands that use ``pathlib`` or processes."""

ON_SEALED = {
    "demo": ("demo", "shown"),
    "keys": ("keys", "show", "tide-pub.pem"),
    "rehearse": ("rehearse", "tide-gauge.toml", "tide.hex", *BUILDS),
    "sign": ("sign", "tide-gauge.toml", "tide.hex", *BUILDS, "--key", "tide.pem", "-o", "sealed.hex"),
    "release": ("release", "tide-gauge.toml", *BUILDS, "--key", "tide.pem", "-o", "released"),
}
"""Commands that run on the built-in example with a key, each once: they write what was not there."""


@pytest.fixture(scope="module")
def example(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The built-in example as files, joined, with a key."""
    folder = tmp_path_factory.mktemp("example")
    imported(folder, "demo", "device")
    imported(
        folder / "device",
        *("keys", "new", "Ed25519", "-o", "tide.pem", "--public", "tide-pub.pem", "--no-pass-phrase"),
    )
    return folder / "device"


@pytest.mark.parametrize("command", COMMANDS)
def test_nothing_heavy(device: Path, command: str) -> None:
    """Help, join and check import no large library: gemel's own readers and codecs do their work."""
    roots = {name.partition(".")[0] for name in imported(device, *COMMANDS[command])}
    assert roots.isdisjoint(HEAVY)
    assert "click" not in roots


@pytest.mark.parametrize("command", COMMANDS)
def test_no_enumerations_and_no_paths(device: Path, command: str) -> None:
    """``signal`` makes enumerations of its numbers whenever it is imported: outputs are guarded by the built-in one.

    ``pathlib`` brings ``urllib`` and ``ipaddress`` on Python 3.11: what the commands need of paths is `FilePath`.
    """
    assert {"signal", "pathlib", "urllib.parse"}.isdisjoint(imported(device, *COMMANDS[command]))


def test_help_imports_no_room_but_the_command_line(device: Path) -> None:
    """``gemel --help`` imports the package, the command line's first modules, and nothing else of gemel."""
    own = {name for name in imported(device, "--help") if name.partition(".")[0] == "gemel"}
    first = {f"gemel.cli.{name}" for name in ("main", "catalogue", "echo", "first_help")}
    assert own <= first | {"gemel", "gemel.version", "gemel.cli"}


def test_join_leaves_out_what_it_does_not_use(device: Path) -> None:
    """``join`` to Intel HEX imports neither S-record nor JSON reports, nor what shows and exports."""
    own = imported(device, *JOIN, "-o", "tide.hex")
    assert not [name for name in own if name.startswith(("gemel.show", "gemel.export"))]
    assert "gemel.checking.reports.as_json" not in own


MODULES = {
    "help": 7,
    "version": 6,
    "explain": 29,
    "keys": 38,
    "export": 83,
    "where": 97,
    "audit": 113,
    "split": 119,
    "compare": 138,
    "show": 135,
    "rehearse": 199,
    "check": 238,
    "draft": 310,
    "join": 322,
    "sign": 345,
    "demo": 412,
    "release": 421,
}
"""The most modules of gemel that each command imports; raise one only with the time that it takes measured."""


@pytest.mark.parametrize("command", MODULES)
def test_no_more_modules_than_stored(device: Path, example: Path, command: str) -> None:
    """Each module costs about 0.2 ms at every start, so their number is held."""
    words = (COMMANDS | WITH_PATHS | ON_SEALED)[command]
    folder = example if command in ON_SEALED else device
    own = {name for name in imported(folder, *words) if name.partition(".")[0] == "gemel"}
    assert len(own) <= MODULES[command] <= len(own) + 5, len(own)
