"""Reading a layout: TOML text to the frozen model, with every fault of it reported at once.

The stages: the TOML parser; keys and values by the model's own declarations; then, if these are sound,
what the parts say about each other (``consistency``).  A fault of an earlier stage hides the later
stages, since what they would say might only be its echo.
"""

from __future__ import annotations

import hashlib
import json
import tomllib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import PurePath
from typing import Any

from gemel.errors import LayoutError, Problem
from gemel.layout.consistency import faults_between
from gemel.layout.kinds import INVALID, Fault, KeyPath, Table
from gemel.layout.model import Layout
from gemel.layout.positions import Positions

MOST_BYTES = 1 << 20
"""A layout file over 1 MiB is refused: none is that large, and its faults would not be readable."""

NOT_DIGESTED = ("rules",)
"""Tables that say how an image is judged and not what it is; they are left out of the digest."""


@dataclass(frozen=True, slots=True)
class ReadLayout:
    """A valid layout, the file it came from and the digest that the record keeps of it."""

    layout: Layout
    file: str
    digest: bytes
    text: str

    @property
    def name(self) -> str:
        """The file's name without its folder, for reports, which hold no paths."""
        return PurePath(self.file).name

    def at(self, path: KeyPath) -> str:
        """``file:line`` of a key, for messages."""
        return f"{self.file}:{Positions(self.text).line_of(path)}"


def read_layout(
    data: bytes, file: str, also: Sequence[Callable[[Layout], Iterable[Fault]]] = ()
) -> ReadLayout:
    """Read the layout in ``data``; ``file`` is its name in messages.

    ``also`` are further checks, from rooms that know more than this one (such as checksum algorithms).
    Raises LayoutError with all faults, each with file, line, key, found and expected.
    """
    document, text = _parse(data, file)
    faults: list[Fault] = []
    layout = Table(Layout).read(document, (), faults.append)
    if layout is not INVALID and not faults:
        faults.extend(faults_between(layout))
        for check in also:
            faults.extend(check(layout))
    if faults:
        positions = Positions(text)
        raise LayoutError(_problem(fault, file, positions) for fault in faults)
    return ReadLayout(layout, file, digest_of(document), text)


def digest_of(document: dict[str, Any]) -> bytes:
    """SHA-256 over the parsed layout as JSON with sorted keys, less the tables in NOT_DIGESTED.

    Comments, order and the way a number is written do not change it; a build's `path` neither.
    """
    kept: dict[str, Any] = {name: value for name, value in document.items() if name not in NOT_DIGESTED}
    builds = kept.get("build", {})
    kept["build"] = {
        name: {key: value for key, value in plan.items() if key != "path"} for name, plan in builds.items()
    }
    canonical = json.dumps(kept, sort_keys=True, separators=(",", ":"), ensure_ascii=False, default=str)
    return hashlib.sha256(canonical.encode()).digest()


def _parse(data: bytes, file: str) -> tuple[dict[str, Any], str]:
    if len(data) > MOST_BYTES:
        raise LayoutError(
            Problem(
                "the layout file is too large", file, f"{len(data):,} bytes", f"at most {MOST_BYTES:,} bytes"
            )
        )
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        problem = Problem(
            "the layout is not UTF-8 text", f"{file}:{line}", f"byte 0x{data[error.start]:02X}", "UTF-8"
        )
        raise LayoutError(problem) from error
    text = text.replace("\r\n", "\n")
    try:
        return tomllib.loads(text), text
    except tomllib.TOMLDecodeError as error:
        raise LayoutError(_syntax_problem(error, file, text)) from error
    except RecursionError as error:
        raise LayoutError(Problem("the layout is nested too deeply", file, "", "tables of tables")) from error


def _syntax_problem(error: tomllib.TOMLDecodeError, file: str, text: str) -> Problem:
    import re

    message = str(error)
    match = re.search(r"\(at line (\d+), column \d+\)", message)
    line = int(match[1]) if match else text.count("\n") + 1
    lines = text.splitlines()
    found = lines[line - 1].strip()[:60] if line <= len(lines) else "the end of the file"
    reason = re.sub(r"\s*\(at .*\)$", "", message)
    return Problem(f"not valid TOML: {reason}", f"{file}:{line}", found, "TOML 1.0 (toml.io)")


def _problem(fault: Fault, file: str, positions: Positions) -> Problem:
    dotted = ".".join(str(step) if isinstance(step, str) else f"[{step}]" for step in fault.path)
    dotted = dotted.replace(".[", "[")
    return Problem(
        f"{fault.what}: {dotted}" if dotted else fault.what,
        f"{file}:{positions.line_of(fault.path)}",
        fault.found,
        fault.expected,
        fault.next_step,
    )
