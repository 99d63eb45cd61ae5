"""The examples of README.md: found, run in the demo's folder, and written back with what they print.

Run as a script, it puts the present output of every example into README.md; the test in
``test_readme.py`` fails when the two differ.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

REPOSITORY = Path(__file__).resolve().parents[2]
README = REPOSITORY / "README.md"
EXAMPLES = REPOSITORY / "imgtool_src" / "gemel" / "examples_page.md"
"""The pages with examples."""

BLOCK = re.compile(r"```console\n(.*?)```", re.DOTALL)
PYTHON = re.compile(r"```python\n(.*?)```", re.DOTALL)


def console_blocks(text: str) -> list[str]:
    """The inside of each console block."""
    return BLOCK.findall(text)


def with_output(block: str, folder: Path) -> str:
    """The block's commands run in ``folder``, each followed by what it prints now."""
    lines = []
    for line in block.splitlines():
        if line.startswith("$ "):
            lines.append(line)
            lines += output_of(line[2:], folder).splitlines()
    return "".join(f"{line}\n" for line in lines)


def output_of(command: str, folder: Path) -> str:
    """What a command line prints on stdout and stderr, in a terminal of 80 columns without colour."""
    shims = folder / ".shims"
    if not shims.exists():
        shims.mkdir()
        shim = shims / "gemel"
        shim.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m gemel "$@"\n')
        shim.chmod(0o755)
    environment = {
        **os.environ,
        "PATH": f"{shims}{os.pathsep}{os.environ['PATH']}",
        "PYTHONPATH": str(REPOSITORY / "imgtool_src"),
        "PYTHONIOENCODING": "utf-8",
        "COLUMNS": "80",
        "NO_COLOR": "1",
    }
    run = subprocess.run(
        ["sh", "-c", command],
        cwd=folder,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        stdin=subprocess.DEVNULL,
        encoding="utf-8",
        timeout=600,  # against hanging alone: a busy machine takes its time
    )
    return run.stdout


def prepared(folder: Path) -> Path:
    """The demo's folder, laid out below ``folder``."""
    output_of("gemel demo demo", folder)
    return folder / "demo"


def refreshed(text: str, folder: Path) -> str:
    """README text with the present output in every console block."""
    demo = prepared(folder)
    return BLOCK.sub(lambda match: f"```console\n{with_output(match[1], demo)}```", text)


if __name__ == "__main__":
    import tempfile

    with tempfile.TemporaryDirectory() as temporary:
        for number, page in enumerate((README, EXAMPLES)):
            (folder := Path(temporary) / str(number)).mkdir()
            page.write_text(refreshed(page.read_text(), folder))
