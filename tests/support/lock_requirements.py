"""Writes ``requirements-signing.txt`` anew: what a signing host installs, each file held by its SHA-256.

    python tests/support/lock_requirements.py

The versions and files are those that pip chooses on this machine for gemel with the extra ``hsm``, so it is to be
run on the platform of the signing host.  ``tests/test_requirements.py`` holds the file to pyproject.toml.
"""

from __future__ import annotations

import json
import platform
import subprocess
import sys
import tomllib
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
LOCK = ROOT / "requirements-signing.txt"
HEAD = """\
# What a signing host installs: gemel's dependencies with the extra hsm, each file held by its SHA-256.
# Made by tests/support/lock_requirements.py for {platform}.
#   python -m pip install --require-hashes --only-binary :all: -r requirements-signing.txt
#   python -m pip install --no-deps --no-index gemel-VERSION-py3-none-any.whl
"""


def wanted() -> list[str]:
    """The requirements of gemel with the extra hsm, as pyproject.toml has them."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    return [*project["dependencies"], *project["optional-dependencies"]["hsm"]]


def locked() -> str:
    """The text of the lock by what pip would install now."""
    options = ("--dry-run", "--ignore-installed", "--quiet", "--only-binary", ":all:", "--report", "-")
    words = [sys.executable, "-m", "pip", "install", *options, *wanted()]
    report = json.loads(subprocess.run(words, capture_output=True, check=True).stdout)
    lines = []
    for each in report["install"]:
        name, version = each["metadata"]["name"], each["metadata"]["version"]
        lines.append(
            f"{name}=={version} --hash=sha256:{each['download_info']['archive_info']['hashes']['sha256']}"
        )
    where = (
        f"{platform.system()} {platform.machine()}, CPython {sys.version_info.major}.{sys.version_info.minor}"
    )
    return HEAD.format(platform=where) + "".join(f"{line}\n" for line in sorted(lines))


if __name__ == "__main__":
    LOCK.write_text(locked(), encoding="utf-8")
    print(f"wrote {LOCK.name}")
