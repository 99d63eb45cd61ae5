"""A board of qemu-system-arm runs an image: an emulation that is not ours.

The cores take turns, with time by executed instructions (``-icount``), so that a run depends on nothing else; or,
with ``at_once``, they run in threads, in the time of this machine. Each core has a serial port; a monitor shows
where they are. A run ends when all cores have said their last line, when nothing changes any more, or when the
emulator gives up because a core is locked up.
"""

from __future__ import annotations

import os
import re
import socket
import subprocess
import time
from dataclasses import dataclass
from pathlib import Path

from tools import required_tool

from .cases import TWO_CORES, Board

EMULATOR = "qemu-system-arm"
LIMIT = 20.0
"""Seconds after which a run is ended in any case."""
QUIET_CPU = 0.3
"""Seconds of processor time without a change after which nothing is expected to change any more."""
QUIET = 0.6
"""Seconds of wall time without a change, for cores that sleep and use no processor time."""


@dataclass(frozen=True, slots=True)
class BoardRun:
    """What the ports sent, where each core was at the end, and which core (if any) was locked up."""

    texts: dict[str, str]
    pcs: dict[str, int]
    locked_up: str = ""
    timed_out: bool = False

    def finished(self, core: str) -> bool:
        """Whether that core said its last line."""
        return f"{core}: done\n" in self.texts[core]


class _Machine:
    def __init__(self, board: Board, image: Path, folder: Path, options: tuple[str, ...]) -> None:
        self._cores = board.cores
        self.ports = {core: folder / f"{core}.txt" for core in board.cores}
        for port in self.ports.values():
            port.write_bytes(b"")
        self._monitor_at = folder / "monitor"
        self._monitor_at.unlink(missing_ok=True)
        self.process = subprocess.Popen(
            [
                *(required_tool(EMULATOR), "-M", board.machine, "-display", "none", *options),
                *(part for port in self.ports.values() for part in ("-serial", f"file:{port}")),
                *("-monitor", f"unix:{self._monitor_at},server=on,wait=off"),
                *("-device", f"loader,file={image},addr={board.flash:#x}"),
            ],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
        )
        self._socket: socket.socket | None = None

    def texts(self) -> dict[str, str]:
        return {core: port.read_text(encoding="latin-1") for core, port in self.ports.items()}

    def processor_time(self) -> float:
        fields = Path(f"/proc/{self.process.pid}/stat").read_text(encoding="ascii").rsplit(")", 1)[1].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def pcs(self) -> dict[str, int]:
        """Where the cores are; {} where the emulator has ended."""
        for _ in range(20):
            found = {} if self.process.poll() is not None else self._pcs()
            if found:
                return found
        return {}

    def _pcs(self) -> dict[str, int]:
        try:
            if self._socket is None:
                self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
                self._socket.settimeout(LIMIT)
                self._socket.connect(str(self._monitor_at))
                self._answer()
            self._ask("stop")
            dump = self._ask("info registers -a")
            self._ask("cont")
        except OSError:
            if self._socket is not None:
                self._socket.close()
                self._socket = None
            time.sleep(0.1)
            return {}
        found = re.findall(r"CPU#(\d).*?R15=([0-9a-f]{8})", dump, re.DOTALL)
        return {self._cores[int(number)]: int(pc, 16) for number, pc in found}

    def _ask(self, command: str) -> str:
        if self._socket is None:
            raise OSError("no monitor")
        self._socket.sendall(f"{command}\n".encode())
        return self._answer()

    def _answer(self) -> str:
        if self._socket is None:
            raise OSError("no monitor")
        answer = b""
        while not answer.rstrip().endswith(b"(qemu)"):
            more = self._socket.recv(65536)
            if not more:
                raise OSError("the monitor is closed")
            answer += more
        return answer.decode("latin-1")

    def end(self) -> str:
        if self._socket is not None:
            self._socket.close()
        self.process.kill()
        return self.process.communicate()[1]


def run_on_board(
    image: Path, folder: Path, board: Board = TWO_CORES, *, at_once: bool = False, finishes: bool = False
) -> BoardRun:
    """Run an image; ``at_once``: the cores in threads, not in turns; ``finishes``: be patient with it."""
    options = () if at_once else ("-icount", f"shift={board.shift},sleep=off")
    machine = _Machine(board, image, folder, options)
    timed_out = False
    try:
        timed_out = _wait(machine, 10 if finishes else 1)
        pcs = {} if machine.process.poll() is not None else machine.pcs()
    finally:
        errors = machine.end()
    locked_up = ""
    if "Lockup" in errors:
        stack = int((re.search(r"R13=([0-9a-f]{8})", errors) or ["", "0"])[1], 16)
        locked_up = next((core for core, ram in board.ram_of.items() if stack in ram), "unknown")
    elif not pcs:
        raise RuntimeError(f"the board's emulator ended: {errors}")
    return BoardRun(machine.texts(), pcs, locked_up, timed_out)


def _wait(machine: _Machine, patience: int) -> bool:
    """Wait for the end of a run; True where only the limit ended it."""
    began = changed = time.monotonic()
    used = 0.0
    before = machine.texts()
    while machine.process.poll() is None:
        time.sleep(0.01)
        texts = machine.texts()
        if all(f"{core}: done\n" in text for core, text in texts.items()):
            return False
        now = time.monotonic()
        if now - began > LIMIT:
            return True
        try:
            cpu = machine.processor_time()
        except (OSError, IndexError):
            return False
        if texts != before:
            before, changed, used = texts, now, cpu
        elif cpu - used > QUIET_CPU * patience or (now - changed > QUIET * patience and cpu - used < 0.03):
            return False
    return False
