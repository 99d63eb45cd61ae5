"""Time what sealing adds to a whole ``gemel join``, per algorithm, against the same join left unsealed.

Run ``python tests/bench/bench_seal_join.py [--rounds 7]``.  Whole processes, alternating, on two builds of
about 0.9 MiB code with debug information, written as Intel HEX and raw binary.  Sealing is everything:
reading the key, importing the library ``cryptography``, checking before and after, the signature, its
verification.  Every sealed image is read back and its seal verified before a figure is believed.

Exits 1 when a target is missed: sealing adds at most 0.35 of the join's time, and with RSA at most 2.5, most
of which the library takes to prove a private RSA key sound when it is read.  A pass phrase costs its 600,000
rounds of PBKDF2 on purpose and has no target.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Iterable, Sequence
from pathlib import Path

from big_builds import AREA, big_builds
from measuring import GEMEL, Measured, interleaved, verdict

ADDED, ADDED_BY_RSA = 0.35, 2.5
"""Most that sealing may add, of the time of the join left unsealed."""

PAIR = ("Ed25519", "ML-DSA-65")
ENCRYPTED = "Ed25519, encrypted key"
PHRASE = "bench"


def main() -> int:
    """Measure, print, judge."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--rounds", type=int, default=7, help="counted runs of each (7 or more)")
    options.add_argument("--without-compiler", action="store_true", help="use the tests' own ELF writer")
    given = options.parse_args()
    builds, how = big_builds(compiled=not given.without_compiler)
    with tempfile.TemporaryDirectory(prefix="gemel-bench-seal-") as out:
        folder = Path(out)
        layout = sealed_layout(builds, folder)
        commands = {"left unsealed": join(layout, folder, "plain", ["--leave-unsealed"])}
        for label, words in key_options(folder).items():
            commands[label] = join(layout, folder, label, words)
        results = interleaved(commands, max(7, given.rounds))
        for label in commands:
            if label != "left unsealed":
                refuse_unsound(layout, folder, label)
    base = fastest(results["left unsealed"])
    print(f"join of two builds, {how}; whole processes, alternating, the fastest of each")
    print(f"{'':26} {'join':>9} {'added':>9} {'of the join':>12}")
    ratios = {}
    for label, runs in results.items():
        seconds = fastest(runs)
        ratios[label] = (seconds - base) / base
        print(f"{label:26} {seconds * 1000:6.0f} ms {(seconds - base) * 1000:6.0f} ms {ratios[label]:12.2f}")
    rsa = [ratio for label, ratio in ratios.items() if label.startswith("RSA")]
    others = [ratio for label, ratio in ratios.items() if not label.startswith("RSA") and label != ENCRYPTED]
    met = [
        verdict("time that sealing adds, of the join's", max(others), ADDED),
        verdict("time that sealing with RSA adds, of the join's", max(rsa), ADDED_BY_RSA),
    ]
    return 0 if all(met) else 1


def fastest(runs: Sequence[Measured]) -> float:
    """The least wall time in seconds: what is measured is a small difference, and other work only adds."""
    return min(each.seconds for each in runs)


def sealed_layout(builds: Path, folder: Path) -> Path:
    """The builds' layout with a seal of 16 KiB behind the record; the builds by their whole paths."""
    text = (builds / "layout.toml").read_text(encoding="utf-8")
    flash, seal = f"size = {2 * AREA + 0x1000:#x}", f"size = {2 * AREA + 0x5000:#x}"
    if text.count(flash) != 1:
        raise SystemExit("the layout of big_builds has another flash than this benchmark knows")
    offset = f"{2 * AREA + 0x1000:#x}"
    area = f'seal = {{ memory = "flash", offset = {offset}, size = "16 KiB", purpose = "seal" }}'
    text = text.replace(flash, seal).replace("[area]\n", f"[area]\n{area}\n")
    for name in ("station", "sampler"):
        text = text.replace(f'path = "{name}.elf"', f'path = "{(builds / name).as_posix()}.elf"')
    layout = folder / "layout.toml"
    layout.write_text(text + '\n[seal]\narea = "seal"\nrequired = true\n', encoding="utf-8")
    return layout


def key_options(folder: Path) -> dict[str, list[str]]:
    """Keys of every algorithm in files, a pair, and one under a pass phrase: the words that join is given."""
    from gemel.seals.keys.algorithms import algorithm_names
    from gemel.seals.keys.keys import new_private_key

    for name in algorithm_names():
        write_key(folder / f"{name}.pem", new_private_key(name).to_pem())
    write_key(folder / "encrypted.pem", new_private_key("Ed25519").to_pem(PHRASE.encode()))
    write_key(folder / "phrase", PHRASE.encode())
    words = {name: keys_of([name], folder) for name in algorithm_names()}
    words[" and ".join(PAIR)] = keys_of(PAIR, folder)
    words[ENCRYPTED] = [*keys_of(["encrypted"], folder), "--pass-phrase-file", str(folder / "phrase")]
    return words


def write_key(path: Path, data: bytes) -> None:
    """A file for its owner alone."""
    path.touch(0o600)
    path.write_bytes(data)


def keys_of(names: Iterable[str], folder: Path) -> list[str]:
    """``--key`` for each name."""
    return [word for name in names for word in ("--key", str(folder / f"{name}.pem"))]


def join(layout: Path, folder: Path, label: str, words: list[str]) -> list[str]:
    """The command that joins, and seals as ``words`` say, into files named after ``label``."""
    outputs = [word for suffix in ("hex", "bin") for word in ("-o", str(folder / f"{label}.{suffix}"))]
    return [*GEMEL, "join", str(layout), *outputs, *words]


def refuse_unsound(layout: Path, folder: Path, label: str) -> None:
    """End the benchmark unless the image of ``label`` has a seal that holds by the keys it was made with."""
    from gemel.image.intel_hex import decode
    from gemel.layout.reader import read_layout
    from gemel.seals.keys.files import load_private_key
    from gemel.seals.seal import verify
    from gemel.seals.sealing import present_seal, record_bytes

    read = read_layout(layout.read_bytes(), layout.name).layout
    image = decode([(folder / f"{label}.hex").read_bytes()], label).image
    trusted = []
    for path in folder.glob("*.pem"):
        phrase = PHRASE.encode() if path.stem == "encrypted" else None
        trusted.append(load_private_key(path.read_bytes(), path.name, phrase).public_key)
    verdicts = verify(present_seal(read, image), record_bytes(read, image), trusted)
    if not all(each.good for each in verdicts):
        raise SystemExit(f"{label}: the seal does not hold")


if __name__ == "__main__":
    sys.exit(main())
