"""Time what a seal adds to ``gemel check``: the whole command, and its six rules by themselves.

Run ``python tests/bench/bench_seal_check.py [--rounds 11]``.  The tide gauge that runs in place, joined, as a
raw binary of its whole flash, without the builds; all runs alternate, and the ratio is that of the medians.
The layout of the runs without a seal has none, so that they apply the same other rules to the same bytes.

Exits 1 when a seal that holds takes more than 1.35 times a check without one, or when a seal that does not
hold, which is looked into bit by bit, takes more than half a second by itself.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parents[1] / part) for part in (".", "support")]

from bench_crc import best_of
from gauge_builds import ROOT, gauge_builds
from measuring import GEMEL, interleaved, median_seconds, verdict
from seal_keys import key_for
from small_device import TODAY

from gemel.checking.registry import all_rules
from gemel.checking.runner import check
from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join
from gemel.layout.reader import ReadLayout, read_layout
from gemel.seals.demands import SEAL_RULES
from gemel.seals.keys.algorithms import ALGORITHMS
from gemel.seals.keys.keys import PrivateKey
from gemel.seals.sealing import seal
from gemel.spans import Span

FLASH, SEAL_AREA = Span(0x1000_0000, 0x8_0000), 0x1001_1000
RATIO, DAMAGED = 1.35, 500
SIGNERS = {each.name: (each.name,) for each in ALGORITHMS}
SIGNERS |= {"ECDSA-P256 with ML-DSA-65": ("ECDSA-P256", "ML-DSA-65")}
LAYOUT = (ROOT / "layouts" / "tide-gauge-in-place.toml").read_text("utf-8")
RULES = [rule for rule in all_rules() if rule.name.startswith(SEAL_RULES)]


def layout_text(names: tuple[str, ...]) -> str:
    """The layout, its seal required and trusting these keys; without a seal for no names."""
    before = LAYOUT[: LAYOUT.index("\n[seal]\n")]
    trust = ", ".join(f'"{name}.pem"' for name in names)
    return f'{before}\n[seal]\narea = "seal"\nrequired = true\ntrust = [{trust}]\n' if names else before


def sealed(read: ReadLayout, keys: list[PrivateKey]) -> SparseBytes:
    """The joined tide gauge, sealed by ``keys``, if any."""
    image = join(read, gauge_builds()).image
    if keys:
        seal(read.layout, image, keys)
    return image


def damaged(image: SparseBytes) -> SparseBytes:
    """The image with twelve bytes of its seal's last signature changed."""
    result = image.copy()
    result.write(SEAL_AREA + 100, bytes(range(12)))
    return result


def main() -> int:
    """Measure, print, judge."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--rounds", type=int, default=11, help="counted runs of each")
    rounds = options.parse_args().rounds
    commands, own = {}, {}
    with tempfile.TemporaryDirectory(prefix="gemel-bench-seal-") as work:
        for label, names in {"no seal": (), **SIGNERS}.items():
            keys = [key_for(name) for name in names]
            layout, image = Path(work, f"{label}.toml"), Path(work, f"{label}.bin")
            layout.write_text(layout_text(names), encoding="utf-8")
            for key in keys:
                Path(work, f"{key.algorithm.name}.pem").write_bytes(key.public_key.to_pem())
            read = read_layout(layout.read_bytes(), layout.name)
            made = sealed(read, keys)
            image.write_bytes(made.read(FLASH, 0xFF))
            commands[label] = [*GEMEL, "check", str(layout), str(image)]
            own[label] = (
                [_rules_alone(read, each, keys) for each in (made, damaged(made))] if keys else [0, 0]
            )
        results = interleaved(commands, rounds)
    plain = median_seconds(results["no seal"])
    print(f"tide gauge, {FLASH.size >> 10} KiB of flash; medians of {rounds} whole processes, alternating")
    print(f"{'signers':26} {'check':>9} {'ratio':>7} {'the six rules':>14} {'damaged':>10}")
    for label, runs in results.items():
        seconds, (good, bad) = median_seconds(runs), own[label]
        print(f"{label:26} {seconds * 1000:6.0f} ms {seconds / plain:7.2f} {good:11.2f} ms {bad:7.1f} ms")
    worst = max(median_seconds(runs) for runs in results.values()) / plain
    met = [
        verdict("check of a sealed image, of one without a seal", worst, RATIO),
        verdict("the six rules on a damaged seal", max(bad for _, bad in own.values()), DAMAGED, " ms"),
    ]
    return 0 if all(met) else 1


def _rules_alone(read: ReadLayout, image: SparseBytes, keys: list[PrivateKey]) -> float:
    """Milliseconds of the seal's rules in this process, with everything imported and the record read."""
    trusted = tuple(key.public_key for key in keys)
    return best_of(lambda: check(Inspection(read, image, trusted=trusted), TODAY, RULES), 5)


if __name__ == "__main__":
    sys.exit(main())
