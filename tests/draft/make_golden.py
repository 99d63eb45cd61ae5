"""Re-makes ``golden/*.toml``: whole drafts, word for word as people read them.

python tests/draft/make_golden.py
"""

from __future__ import annotations

import sys
from pathlib import Path

HERE = Path(__file__).parent
if str(HERE.parent) not in sys.path:  # run as a script; pytest has put the tests' folder there
    sys.path[:0] = [str(HERE.parent), str(HERE.parent / "support")]

from draft.cases import SOUND, text_of

GOLDEN = HERE / "golden"
STORED = (
    "in-place",
    "copied",
    "two-banks",
    "copied, HEX",
    "small device",
    "a copy inside",
    "no place in flash",
    "security",
)
PATHS = {"station": "station.elf", "sampler": "sampler.elf"}


def golden(name: str) -> Path:
    """The file of one draft."""
    return GOLDEN / f"{name.replace(', ', '-').replace(' ', '-').lower()}.toml"


def main() -> None:
    """Write every draft anew."""
    GOLDEN.mkdir(exist_ok=True)
    for path in GOLDEN.iterdir():
        path.unlink()
    for name in STORED:
        golden(name).write_text(text_of(SOUND[name](), PATHS), encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
