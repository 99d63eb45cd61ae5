"""Makes the stored renderings in ``golden/`` anew: ``PYTHONPATH=tests python tests/show/make_golden.py``.

Read the difference before you commit it: what changes here is what users see.
"""

from __future__ import annotations

from pathlib import Path

from shown_images import CASES, rendering

GOLDEN = Path(__file__).parent / "golden"


def main() -> None:
    """Write every rendering, and remove those of cases that are no more."""
    GOLDEN.mkdir(exist_ok=True)
    for stored in GOLDEN.glob("*.txt"):
        if stored.stem not in CASES:
            stored.unlink()
    for name in CASES:
        (GOLDEN / f"{name}.txt").write_text(rendering(name), encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
