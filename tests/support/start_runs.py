"""Start-up code in assembly, run as a check runs it."""

from __future__ import annotations

from pathlib import Path

from thumb import assembled

from gemel.m_profile.execution.start_run import StartRun, start_run

CODE, RAM, STACK, FROM = 0x0800_0000, 0x2000_0000, 0x2008_0000, 0x0801_0000


STORED = 4096


def ran(source: str, folder: Path) -> StartRun:
    """A run of assembly at ``CODE``; at ``FROM`` no two words that follow one another are the same."""
    stored = dict(enumerate(assembled(source + "5: b 5b\n.ltorg", folder), CODE))
    stored |= {FROM + at: at * 7 & 0xFF for at in range(STORED)}
    return start_run(stored.get, CODE | 1, STACK, None)
