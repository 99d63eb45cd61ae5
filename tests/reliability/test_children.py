"""Processes that gemel starts: only the rehearsal's and the audit's, which have tests of their own."""

from __future__ import annotations

import ast
from pathlib import Path
from typing import TypeGuard

import gemel

STARTERS = {"subprocess", "multiprocessing", "pty", "concurrent"}
CALLS = {"system", "popen", "fork", "forkpty", "posix_spawn", "posix_spawnp"}
ALLOWED = ("rehearsal", "audit")


def starts_processes(path: Path) -> list[str]:
    """What in a module can start a process, by name."""
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found += [alias.name for alias in node.names if alias.name.split(".")[0] in STARTERS]
        elif isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] in STARTERS:
            found.append(node.module)
        elif _is_of_os(node) and (node.attr in CALLS or node.attr.startswith(("exec", "spawn"))):
            found.append(f"os.{node.attr}")
    return found


def _is_of_os(node: ast.AST) -> TypeGuard[ast.Attribute]:
    return isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "os"


def test_nothing_but_rehearsal_and_audit_starts_a_process() -> None:
    """A child inherits the working folder, the environment and, if it is let, what lies there as modules."""
    root = Path(gemel.__file__).parent
    found = {}
    for path in root.rglob("*.py"):
        if path.relative_to(root).parts[0] not in ALLOWED and (names := starts_processes(path)):
            found[str(path.relative_to(root))] = names
    assert found == {}


def test_the_search_finds_what_it_is_for(tmp_path: Path) -> None:
    """The check above can fail."""
    module = tmp_path / "m.py"
    module.write_text("import os, subprocess\nfrom multiprocessing import Process\nos.execv('a', [])\n")
    assert starts_processes(module) == ["subprocess", "multiprocessing", "os.execv"]
