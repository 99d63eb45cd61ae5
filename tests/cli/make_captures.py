"""Re-makes ``captures/<name>.txt``: what each command prints on terminals of 60, 80 and 160 columns.

    PYTHONPATH=tests:tests/support python tests/cli/make_captures.py            # all
    PYTHONPATH=tests:tests/support python tests/cli/make_captures.py NAME ...   # these only

All run in this process, in a folder with the demo's files.  Read the difference before you commit it: what changes
here is what users see.
"""

from __future__ import annotations

import contextlib
import re
import sys
import tempfile
from pathlib import Path

from click.testing import CliRunner
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from intelhex import IntelHex

from gemel.cli.main import exit_code
from gemel.demo import demo_files

CAPTURES = Path(__file__).parent / "captures"
WIDTHS = (60, 80, 160)
BUILDS = ("station=station.elf", "sampler=sampler.elf")
MISPLACED = ("station=station.elf", "sampler=sampler-misplaced.elf")
GAUGE = "tide-gauge.toml"

CASES: dict[str, tuple[str, ...]] = {
    "join": ("join", GAUGE, *BUILDS, "--dry-run", "-o", "new.hex"),
    "join-refused": ("join", GAUGE, *MISPLACED, "-o", "wrong.hex"),
    "join-written": ("join", GAUGE, *BUILDS, "-o", "again.hex"),
    "join-sealed": ("join", GAUGE, *BUILDS, "--key", "key.pem", "-o", "sealed-again.hex"),
    "sign": ("sign", GAUGE, "tide.hex", *BUILDS, "--key", "key.pem", "-o", "signed.hex"),
    "check": ("check", GAUGE, "tide.hex", *BUILDS),
    "check-received": ("check", GAUGE, "sealed.hex", "--trust", "pub.pem"),
    "check-without-key": ("check", GAUGE, "sealed.hex"),
    "check-broken": ("check", GAUGE, "tide.hex", *MISPLACED, "--version", "9.9.9"),
    "check-strict": ("check", GAUGE, "sealed.hex", "--strict=inputs"),
    "check-all": ("check", GAUGE, "sealed.hex", "--all"),
    "check-layout": ("check", GAUGE),
    "check-layout-broken": ("check", "broken.toml"),
    "show": ("show", GAUGE, "sealed.hex", *BUILDS),
    "show-without-layout": ("show", "sealed.hex", "--no-layout"),
    "compare": ("compare", GAUGE, "tide.hex", "sealed.hex", *BUILDS, *(f"old:{each}" for each in BUILDS)),
    "compare-same": ("compare", "tide.hex", "tide.hex"),
    "where": ("where", GAUGE, *BUILDS, "0x10008124", "reset_handler", "0x38010004"),
    "split": ("split", GAUGE, "tide.hex", "-o", "parts"),
    "rehearse": ("rehearse", GAUGE, "tide.hex", *BUILDS, "--budget", "3000"),
    "audit": ("audit", GAUGE, "tide.hex", "sealed.hex", "station.elf", "--jobs", "1"),
    "release": ("release", GAUGE, *BUILDS, "--key", "key.pem", "-o", "release-{width}"),
    "check-release": ("check", "--release", "shipped", "--trust", "pub.pem"),
    "demo": ("demo", "demo-{width}"),
    "keys-show": ("keys", "show", "pub.pem"),
    "draft": ("draft", *BUILDS, "-o", "drafted.toml", "--force"),
    "export": ("export", "linker", GAUGE, "--core", "sampler"),
    "explain": ("explain",),
    "explain-word": ("explain", "stack"),
    "explain-page": ("explain", "ci"),
    "explain-rule": ("explain", "boot-constant-agrees"),
    "changed-image": ("check", GAUGE, "changed.hex", "--trust", "pub.pem"),
    "cut-image": ("check", GAUGE, "cut.bin"),
    "several-missing": ("keys", "new"),
    "wrong-command": ("joni",),
    "wrong-option": ("check", "--trusst", "pub.pem"),
    "wrong-order": ("check", "tide.hex", GAUGE),
    "wrong-rule": ("explain", "boot-constant-agree"),
    "missing-file": ("check", GAUGE, "tidde.hex", "station=none.elf"),
    "missing-image": ("check", GAUGE, *BUILDS),
    "missing-output": ("join", GAUGE, *BUILDS),
    "build-as-image": ("check", GAUGE, "station.elf"),
    "key-exists": ("keys", "new", "Ed25519", "-o", "key.pem", "--no-pass-phrase"),
    "unknown-algorithm": ("keys", "new", "Ed25518", "-o", "other.pem", "--no-pass-phrase"),
    "unknown-build": ("join", GAUGE, "stations=station.elf", BUILDS[1], "-o", "new.hex"),
}
"""The words of each command that is captured, with the columns in place of ``{width}``."""


def make_folder(folder: Path) -> None:
    """The demo's files with an image, a sealed one, a key of fixed bytes and a layout with a fault; goes there."""
    for name, data in demo_files().items():
        (folder / name).write_bytes(data)
    key = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
    pem, none = serialization.Encoding.PEM, serialization.NoEncryption()
    (folder / "key.pem").write_bytes(key.private_bytes(pem, serialization.PrivateFormat.PKCS8, none))
    (folder / "key.pem").chmod(0o600)
    spki = serialization.PublicFormat.SubjectPublicKeyInfo
    (folder / "pub.pem").write_bytes(key.public_key().public_bytes(pem, spki))
    layout = (folder / GAUGE).read_text(encoding="utf-8")
    broken = layout.replace('"512 KiB"', '"512 KB"', 1).replace("erase_block", "erase_blok", 1)
    (folder / "broken.toml").write_text(broken, encoding="utf-8")
    for words in (("-o", "tide.hex"), ("-o", "sealed.hex", "--key", "key.pem")):
        _, code = captured(("join", GAUGE, *BUILDS, *words), 80, folder)
        assert code == 0
    _, code = captured(("release", GAUGE, *BUILDS, "--key", "key.pem", "-o", "shipped"), 80, folder)
    assert code == 0
    whole = bytearray((folder / "shipped" / "tide-gauge-1.4.2-flash.bin").read_bytes())
    (folder / "cut.bin").write_bytes(whole[:1000])
    whole[1000] ^= 1
    image = IntelHex()
    image.frombytes(whole, 0x1000_0000)
    image.write_hex_file(folder / "changed.hex")


OF_A_FOLDER = re.compile(r"(SHA256SUMS has SHA-256\s+)[0-9a-f]{64}")
"""A digest that changes with every word of every file of a release; zeros stand for it."""


def captured(words: tuple[str, ...], width: int, folder: Path) -> tuple[str, int]:
    """What a command prints in ``folder``, stdout and stderr together, at ``width`` columns, and its exit code."""
    environment = {"COLUMNS": str(width), "NO_COLOR": "1", "FORCE_COLOR": None}
    with contextlib.chdir(folder), CliRunner().isolation(env=environment) as streams:
        sys.stdout.isatty = lambda: True  # type: ignore[method-assign]
        code = exit_code(words)
        sys.stdout.flush()
        sys.stderr.flush()
        text = streams[-1].getvalue().decode("utf-8")
    return OF_A_FOLDER.sub(r"\g<1>" + 64 * "0", text.replace("\r\n", "\n")), code


def capture_of(name: str, folder: Path) -> str:
    """The command with what it prints at each width."""
    words = CASES[name]
    text = f"$ gemel {' '.join(words)}\n"
    for width in WIDTHS:
        printed, code = captured(tuple(word.format(width=width) for word in words), width, folder)
        text += f"=== {width} columns, exit code {code}\n{printed}"
    return text


def main(names: list[str]) -> None:
    """Write the captures of ``names``, or all, and remove those of cases that are no more."""
    CAPTURES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        make_folder(folder)
        for name in names or CASES:
            (CAPTURES / f"{name}.txt").write_text(capture_of(name, folder), encoding="utf-8", newline="\n")
    for stored in CAPTURES.glob("*.txt"):
        if stored.stem not in CASES:
            stored.unlink()


if __name__ == "__main__":
    main(sys.argv[1:])
