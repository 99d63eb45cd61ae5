"""Thumb code for tests, by the system's assembler."""

from __future__ import annotations

import subprocess
from pathlib import Path

from tools import required_tool


def assembled(source: str, folder: Path, architecture: str = "armv8-m.main") -> bytes:
    """Machine code of Thumb assembly."""
    text, elf, binary = folder / "code.s", folder / "code.o", folder / "code.bin"
    text.write_text(f".syntax unified\n.thumb\n{source}\n", encoding="ascii")
    tool = required_tool("arm-none-eabi-as")
    subprocess.run([tool, "-mthumb", f"-march={architecture}", str(text), "-o", str(elf)], check=True)
    copy = required_tool("arm-none-eabi-objcopy")
    subprocess.run([copy, "-O", "binary", str(elf), str(binary)], check=True)
    return binary.read_bytes()


def accepted(lines: list[str], folder: Path, architecture: str) -> set[str]:
    """Those of the one-line instructions that the assembler takes for ``architecture``."""
    text = folder / "lines.s"
    text.write_text(".syntax unified\n.thumb\n" + "\n".join(lines) + "\n", encoding="ascii")
    tool = required_tool("arm-none-eabi-as")
    done = subprocess.run(
        [tool, "-mthumb", f"-march={architecture}", str(text), "-o", str(folder / "lines.o")],
        capture_output=True,
        text=True,
        check=False,
    )
    refused = {int(line.split(":")[1]) for line in done.stderr.splitlines() if ": Error: " in line}
    return {line for number, line in enumerate(lines, 3) if number not in refused}
