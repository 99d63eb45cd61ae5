"""Modules found by their byte code are the ones that Python itself would import, in every state of the files."""

from __future__ import annotations

import json
import os
import py_compile
import shutil
import subprocess
import sys
from collections.abc import Callable
from importlib.util import cache_from_source
from pathlib import Path

import pytest
from runs import environment

SAID = """
import importlib, json, sys
sys.path.insert(0, sys.argv[1])
if sys.argv[2] == "ours":
    from gemel.module_finder import find_by_byte_code
    find_by_byte_code("made")
facts, loader = {}, None
for name in ("made.inner", "made.inner.deep", "made.plain"):
    try:
        module = importlib.import_module(name)
    except Exception as error:
        facts[name] = type(error).__name__
        loader = None
        continue
    spec, loader = module.__spec__, type(module.__loader__).__name__
    searched = spec.submodule_search_locations
    facts[name] = [
        module.VALUE, module.__file__, module.__cached__, module.__package__, spec.origin, spec.parent,
        spec.has_location, None if searched is None else list(searched), module.function.__code__.co_filename,
        importlib.import_module("inspect").getsource(module.function),
        spec.loader.get_code(name).co_filename, importlib.reload(module).VALUE,
    ]
print(json.dumps([facts, loader]))
"""
"""Imports the made package, with our finder or without, and says what it got and which loader the last one had."""

TEXT = "VALUE = {value!r}\n\n\ndef function() -> None:\n    '''Nothing.'''\n"


def _made(folder: Path, value: str = "as compiled") -> Path:
    """A package with a module and a package inside, all with byte code as an installer leaves it."""
    package = folder / "made"
    (package / "inner").mkdir(parents=True)
    (package / "__init__.py").write_text("")
    for name in ("plain.py", "inner/__init__.py", "inner/deep.py"):
        (package / name).write_text(TEXT.format(value=value))
        py_compile.compile(str(package / name), doraise=True)
    return folder


def _said(folder: Path, who: str, **changes: str) -> tuple[dict[str, object], str | None]:
    done = subprocess.run(
        [sys.executable, "-c", SAID, str(folder), who],
        env=environment({"PYTHONDONTWRITEBYTECODE": "1", **changes}),
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    facts, loader = json.loads(done.stdout)
    return facts, loader


def _changed_source(folder: Path) -> None:
    """A source of the same size, one second younger."""
    source = folder / "made/plain.py"
    status = source.stat()
    source.write_text(TEXT.format(value="as_compiled"))
    os.utime(source, (status.st_atime, status.st_mtime + 1))


def _longer_source(folder: Path) -> None:
    """A source of another size with the time of the old one."""
    source = folder / "made/plain.py"
    status = source.stat()
    source.write_text(TEXT.format(value="a longer one than as compiled"))
    os.utime(source, ns=(status.st_atime_ns, status.st_mtime_ns))


def _damaged(folder: Path, change: Callable[[bytes], bytes]) -> None:
    kept = Path(cache_from_source(str(folder / "made/plain.py")))
    kept.write_bytes(change(kept.read_bytes()))


def _by_hash(folder: Path) -> None:
    """Byte code that is compared by the source's hash, which no longer holds."""
    source = folder / "made/plain.py"
    py_compile.compile(str(source), invalidation_mode=py_compile.PycInvalidationMode.CHECKED_HASH)
    source.write_text(TEXT.format(value="new"))


def _moved(folder: Path) -> None:
    """A tree that was compiled elsewhere and moved, times kept."""
    shutil.copytree(folder / "made", folder / "other", copy_function=shutil.copy2)
    shutil.rmtree(folder / "made")
    shutil.move(folder / "other", folder / "made")
    for name in ("plain.py", "inner/__init__.py", "inner/deep.py"):
        source = folder / "made" / name
        py_compile.compile(str(source), dfile=f"/built/{name}", doraise=True)


STATES: dict[str, tuple[Callable[[Path], object], bool]] = {
    "up to date": (lambda folder: None, True),
    "source changed, size kept": (_changed_source, False),
    "source changed, time kept": (_longer_source, False),
    "no byte code": (lambda folder: _kept(folder).unlink(), False),
    "no source": (lambda folder: (folder / "made/plain.py").unlink(), False),
    "empty byte code": (lambda folder: _damaged(folder, lambda kept: b""), False),
    "another interpreter's": (lambda folder: _damaged(folder, lambda kept: b"\0\0\r\n" + kept[4:]), False),
    "code cut": (lambda folder: _damaged(folder, lambda kept: kept[:40]), False),
    "code of no kind": (lambda folder: _damaged(folder, lambda kept: kept[:16] + b"?" + kept[17:]), False),
    "compared by hash": (_by_hash, False),
    "compiled elsewhere": (_moved, False),
    "a folder in its place": (lambda folder: (_kept(folder).unlink(), _kept(folder).mkdir()), False),
}
"""What is done to the files, and whether our finder is the one that finds the module then."""


def _kept(folder: Path) -> Path:
    return Path(cache_from_source(str(folder / "made/plain.py")))


@pytest.mark.parametrize("state", STATES)
def test_what_is_imported_is_what_python_imports(tmp_path: Path, state: str) -> None:
    """Values, paths, sources and errors are the same with our finder and without; it takes only what is up to date."""
    change, is_ours = STATES[state]
    change(_made(tmp_path))
    ours, loader = _said(tmp_path, "ours")
    theirs, _ = _said(tmp_path, "python's")
    assert ours == theirs
    assert (loader == "_Loader") is is_ours


def test_a_cache_elsewhere(tmp_path: Path) -> None:
    """Byte code in the folder that PYTHONPYCACHEPREFIX names is found there."""
    (tmp_path / "source").mkdir()
    folder = _made(tmp_path / "source")
    for kept in folder.rglob("*.pyc"):
        kept.unlink()
    changes = {"PYTHONPYCACHEPREFIX": str(tmp_path / "cache"), "PYTHONDONTWRITEBYTECODE": ""}
    _, first = _said(folder, "ours", **changes)
    ours, second = _said(folder, "ours", **changes)
    assert (first, second) == ("SourceFileLoader", "_Loader")
    assert ours == _said(folder, "python's", **changes)[0]


def test_without_byte_code_of_any_kind(monkeypatch: pytest.MonkeyPatch) -> None:
    """An interpreter that keeps no byte code is left as it is."""
    from types import SimpleNamespace

    from gemel.module_finder import find_by_byte_code

    before = list(sys.meta_path)
    monkeypatch.setattr(sys, "implementation", SimpleNamespace(cache_tag=None))
    find_by_byte_code("made")
    assert sys.meta_path == before


def test_other_packages_are_left_alone() -> None:
    """A name that only starts like the package's, the package itself and any other are for Python's own finders."""
    from gemel.module_finder import _Finder

    finder = _Finder("made")
    assert [finder.find_spec(name, ["/"]) for name in ("madeup.plain", "made", "os")] == [None] * 3
