"""The two-core machine of qemu-system-arm with its monitor: an emulation that is not ours."""

from __future__ import annotations

import socket
import subprocess
import time
from pathlib import Path

from tide_gauge import BOOT_LIMIT, read_layout
from tools import required_tool


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

    def wait_for(self, address: int, word: int) -> None:
        """Wait until the word at ``address`` has that value; raises TimeoutError."""
        until = time.monotonic() + BOOT_LIMIT
        while self.memory(address, 4) != word.to_bytes(4, "little"):
            if time.monotonic() > until:
                raise TimeoutError(f"the machine never wrote {word:#x} to {address:#x}")
            time.sleep(0.02)
