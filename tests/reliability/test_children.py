"""Processes that gemel starts: only the rehearsal's and the audit's, which have tests of their own."""

from __future__ import annotations

import ast
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import TypeGuard

import pytest
from runs import ROOT, run, write_device

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


PLANTED = (
    "signal",
    "json",
    "tomllib",
    "hashlib",
    "zlib",
    "click",
    "anycrc",
    "cryptography",
    "unicorn",
    "capstone",
)
PLANTED += (
    "pickle",
    "subprocess",
    "shutil",
    "textwrap",
    "uuid",
    "xml",
    "configparser",
    "elftools",
    "pkcs11",
    "getpass",
)


@pytest.mark.parametrize("path", [None, "", ".", "link"])
def test_modules_in_the_working_folder_are_not_imported(tmp_path: Path, path: str | None) -> None:
    """The attack: a received folder has modules of its own; ``python -m gemel`` or a part of PYTHONPATH loads them."""
    write_device(tmp_path)
    (tmp_path / "link").symlink_to(tmp_path)
    for name in PLANTED:
        (tmp_path / f"{name}.py").write_text(f"open({name!r} + '.ran', 'w').close()\n", encoding="utf-8")
    metadata = tmp_path / "planted-1.dist-info"
    metadata.mkdir()
    (metadata / "entry_points.txt").write_text("[gemel.rules]\nx = pickle\n", encoding="utf-8")
    changes = {} if path is None else {"PYTHONPATH": os.pathsep.join([path, str(ROOT / "imgtool_src")])}
    given = ("station=station.elf", "sampler=sampler.elf")
    for words in (
        ("join", "small.toml", *given, "-o", "image.hex"),
        (
            "check",
            "small.toml",
            "image.hex",
            *given,
            "--rehearse",
            "--report",
            "r.xml",
            "--report",
            "r.sarif",
        ),
        ("show", "image.hex", "--layout", "small.toml", *given),
        ("keys", "new", "Ed25519", "-o", "k.pem", "--no-pass-phrase"),
        ("check", "--no-such-option"),
    ):
        ended = run(*words, cwd=tmp_path, changes=changes)
        assert ended.returncode in (0, 1, 2), ended.stderr
        assert "Traceback" not in ended.stderr
    assert (tmp_path / "image.hex").exists()
    assert [file.name for file in tmp_path.glob("*.ran")] == []


def test_a_process_of_its_own_imports_the_gemel_that_started_it(tmp_path: Path) -> None:
    """Where another one is installed too, as beside a checkout in PYTHONPATH, the two may not understand each other."""
    (tmp_path / "gemel").mkdir()
    for name in ("__init__.py", "isolated.py", "module_finder.py"):
        shutil.copy(ROOT / "imgtool_src/gemel" / name, tmp_path / "gemel")
    child = "import gemel, sys; print(gemel.__file__, *sys.path[:1])"
    parent = f"import subprocess, gemel.isolated as i; subprocess.run(**i.isolated({child!r}), check=True)"
    said = subprocess.run(
        [sys.executable, "-c", parent],
        env={**os.environ, "PYTHONPATH": str(tmp_path)},
        capture_output=True,
        encoding="utf-8",
        check=True,
    ).stdout.split()
    assert said[0] == str(tmp_path / "gemel/__init__.py")
    assert said[1] != str(tmp_path)  # modules beside it do not stand before Python's own
