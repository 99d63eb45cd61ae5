"""The page ``gemel explain python``: every example on it runs, and every public name is on it."""

from __future__ import annotations

import inspect
import os
import re
import subprocess
import sys
import tomllib
from importlib.resources import files
from pathlib import Path

import pytest
from tools import required_tool

import gemel

PAGE = files("gemel").joinpath("python_page.md").read_text(encoding="utf-8")
FENCES = re.findall(r"^```(\w+)\n(.*?)^```$", PAGE, re.MULTILINE | re.DOTALL)
TYPES = (
    "Build",
    "Holds",
    "NotChecked",
    "PrivateKey",
    "Problem",
    "PublicKey",
    "ReadLayout",
    "ReadPolicy",
    "Rehearsal",
)
"""Public names that only annotate what the functions on the page take and give."""


@pytest.fixture
def demo(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with the layout and builds that the examples name, and ``gemel`` on the path."""
    from gemel.demo import demo_files

    for name, data in demo_files().items():
        (tmp_path / name).write_bytes(data)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("PATH", str(Path(sys.executable).parent), prepend=os.pathsep)
    return tmp_path


def test_the_examples_run_as_one_script(demo: Path) -> None:
    """Every Python block runs as printed, after those above it, and writes the files that it names."""
    names: dict[str, object] = {}
    blocks = [text for language, text in FENCES if language == "python"]
    assert len(blocks) >= 6
    for number, block in enumerate(blocks):
        exec(compile(block, f"block {number}", "exec"), names)
    for file in ("tide.hex", "tide.bin", "sealed.hex"):
        assert (demo / file).stat().st_size > 1000
    rule = names["RULE"]
    assert isinstance(rule, gemel.Rule)
    assert gemel.convention_faults(rule, "no-debug-build") == []
    assert tomllib.loads(next(text for language, text in FENCES if language == "toml"))


SWAPPED = """
gemel.Finding("a word differs", ("station",), "word 1", "found", "expected")  # type: ignore[call-arg]
gemel.Problem("a word differs", "where", "found", "expected")  # type: ignore[call-arg]
gemel.check("tide-gauge.toml", 7)  # type: ignore[arg-type]
"""
"""What a type checker refuses: an ignore that is not needed is an error too."""


def test_the_examples_are_typed(demo: Path) -> None:
    """A strict type checker takes the page as one script, and refuses what could be swapped."""
    script, package = demo / "script.py", Path(gemel.__file__).parents[1]
    blocks = [text for language, text in FENCES if language == "python"]
    script.write_text("\n".join(blocks) + SWAPPED, encoding="utf-8")
    cache = package.parent / ".mypy_cache"
    done = subprocess.run(
        [required_tool("mypy"), "--strict", "--cache-dir", cache, "--config-file", os.devnull, script],
        env={**os.environ, "MYPYPATH": str(package)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_every_public_name_is_on_the_page_and_documented() -> None:
    """What ``import gemel`` offers is on the page, can be had, and says what it is."""
    for name in gemel.__all__:
        if name == "__version__":
            continue
        assert name in PAGE or name in TYPES, name
        assert getattr(gemel, name) is not None
        if name != "Outcome":
            assert inspect.getdoc(getattr(gemel, name)), name
    assert set(gemel.__all__) == set(dir(gemel))


PASSAGES = re.split(r"\n(?:- |\n)", re.sub(r"^```.*?^```$", "", PAGE, flags=re.MULTILINE | re.DOTALL))
"""The entries of lists and the paragraphs, without code."""


@pytest.mark.parametrize("name", [each for each in gemel.__all__ if each[0].islower()])
def test_every_parameter_is_on_the_page(name: str) -> None:
    """The passage that shows the call of a function names each of its parameters, so that it can be given by name."""
    passages = [set(re.findall(r"\w+", each)) for each in PASSAGES if re.search(rf"\b{name}\(", each)]
    assert any(set(inspect.signature(getattr(gemel, name)).parameters) <= words for words in passages)


def test_no_room_hides_a_public_name() -> None:
    """No folder or module of the package has the name of something public, which it would stand in the place of."""
    rooms = {entry.name.partition(".")[0] for entry in Path(gemel.__file__).parent.iterdir()}
    assert rooms.isdisjoint(gemel.__all__)


def test_the_page_fits_a_terminal() -> None:
    """No line of prose is wider than the widest page, and no word of the page is an address of ours."""
    assert all(len(line) <= 200 for line in PAGE.splitlines())


def test_an_unknown_name_is_an_attribute_error() -> None:
    """What the package does not offer is an AttributeError, as anywhere."""
    with pytest.raises(AttributeError, match="no_such_name"):
        _ = gemel.no_such_name


def test_page_is_printed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """``gemel explain python`` writes the page as it is, and prints it filled to the terminal, code unchanged."""
    from gemel.cli.main import exit_code

    assert exit_code(["explain", "python", "-o", str(tmp_path / "page.md")]) == 0
    assert (tmp_path / "page.md").read_text(encoding="utf-8") == PAGE
    assert exit_code(["explain", "python"]) == 0
    printed = capsys.readouterr().out
    assert printed.split() == PAGE.split()
    assert all(block in printed for block in re.findall(r"^```.*?^```$", PAGE, re.MULTILINE | re.DOTALL))
