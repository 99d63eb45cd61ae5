"""Two emulations of the same image: the rehearsal, and both cores of a machine of qemu-system-arm."""

from __future__ import annotations

import socket
import struct
import subprocess
import time
from pathlib import Path

import pytest
from rehearsals import gauge
from tide_gauge import BOOT_LIMIT, BOOTABLE, read_layout
from tools import required_tool

VECTOR_REGISTER = 0x5002_1114
LINK_SIZE = 28 + 64 + 4 * 16
"""Bytes of struct link_area: seven words, the greeting, four frames (testdata/tide-gauge/shared/link.h)."""


class Machine:
    """The machine with one image, and its monitor."""

    def __init__(self, image: Path, folder: Path) -> None:
        self._folder = folder
        monitor = folder / "monitor"
        start = read_layout("in-place")["memory"]["flash"]["start"]
        self._process = subprocess.Popen(
            [
                required_tool("qemu-system-arm"),
                *("-M", "mps2-an521", "-display", "none", "-serial", "stdio"),
                *("-monitor", f"unix:{monitor},server=on,wait=off"),
                *("-device", f"loader,file={image},addr={start:#x}"),
            ],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            encoding="ascii",
        )
        self._monitor = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._monitor.settimeout(BOOT_LIMIT)
        self._connect(monitor)

    def _connect(self, monitor: Path) -> None:
        until = time.monotonic() + BOOT_LIMIT
        while True:
            try:
                self._monitor.connect(str(monitor))
                break
            except (FileNotFoundError, ConnectionRefusedError):
                if time.monotonic() > until:
                    raise
                time.sleep(0.02)
        self._answer()

    def text(self) -> str:
        """What it sends to the serial port, up to the line that says how it ended."""
        lines = []
        for line in self._process.stdout or ():
            lines.append(line)
            if line.startswith("tide gauge: "):
                break
        return "".join(lines)

    def memory(self, address: int, size: int) -> bytes:
        """Bytes as its first core sees them."""
        file = self._folder / "memory"
        self._command(f'memsave {address:#x} {size} "{file}"')
        return file.read_bytes()

    def _command(self, text: str) -> None:
        self._monitor.sendall(f"{text}\n".encode())
        self._answer()

    def _answer(self) -> None:
        answer = b""
        while not answer.rstrip().endswith(b"(qemu)"):
            answer += self._monitor.recv(4096)

    def end(self) -> None:
        """Stop the machine."""
        self._monitor.close()
        self._process.kill()
        self._process.communicate()


@pytest.mark.parametrize("arrangement", BOOTABLE)
def test_rehearsal_and_machine_agree(arrangement: str, tmp_path: Path) -> None:
    """Same serial text, same contents of the shared memory, same boot address in two emulations."""
    case = gauge(arrangement)
    image = tmp_path / "image.bin"
    flash = case.read.layout.memories["flash"]
    image.write_bytes(case.image.read(flash.span, flash.erased_byte))
    rehearsal = case.rehearse()

    machine = Machine(image, tmp_path)
    try:
        assert machine.text() == rehearsal.texts["serial"]
        link = case.read.layout.span_of("link")
        assert machine.memory(link.start, LINK_SIZE) == rehearsal.shared_memory["link"][:LINK_SIZE]
        released = rehearsal.event("released")
        assert released is not None
        boot_address = struct.unpack("<I", machine.memory(VECTOR_REGISTER, 4))[0]
        assert boot_address == released.numbers["vectors"]
    finally:
        machine.end()
    assert rehearsal.passes
