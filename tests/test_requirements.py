"""The lock of a signing host and the table of dependencies are held to pyproject.toml, without a network."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import tomllib
from importlib.metadata import requires

import pytest
from lock_requirements import LOCK, ROOT, wanted
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from tools import required_tool

LINE = re.compile(r"([A-Za-z0-9._-]+)==([0-9][0-9A-Za-z.]*) --hash=sha256:[0-9a-f]{64}")
LINES = [line for line in LOCK.read_text("utf-8").splitlines() if not line.startswith("#")]
PINNED = {canonicalize_name(found[1]): found[2] for line in LINES if (found := LINE.fullmatch(line))}
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]


def test_every_line_is_one_version_with_its_hash_and_no_host() -> None:
    """Nothing but pinned packages, each once; where they come from is the signing host's to say."""
    assert len(PINNED) == len(LINES)
    assert "://" not in "".join(LINES)
    assert "index-url" not in LOCK.read_text("utf-8")


@pytest.mark.parametrize("text", wanted())
def test_the_lock_satisfies_pyproject(text: str) -> None:
    """A range that is raised, or a dependency that is added, makes the lock out of date."""
    requirement = Requirement(text)
    assert requirement.specifier.contains(PINNED[canonicalize_name(requirement.name)])


def test_the_lock_is_closed_and_holds_no_more() -> None:
    """What the locked packages need is locked too, within their ranges; nothing else is."""
    due = [Requirement(text) for text in wanted()]
    seen: set[str] = set()
    while due:
        requirement = due.pop()
        name = canonicalize_name(requirement.name)
        if requirement.marker and not requirement.marker.evaluate({"extra": ""}):
            continue
        assert requirement.specifier.contains(PINNED[name]), requirement
        if name not in seen:
            seen.add(name)
            due += [Requirement(text) for text in requires(name) or ()]
    assert seen == set(PINNED)


def test_every_dependency_stands_in_the_table_with_its_licence() -> None:
    """DEVELOPERS.md has a row for each package that gemel or one of its extras for users installs."""
    extras = PROJECT["optional-dependencies"]
    for_users = ("hsm", "rehearse", "disassemble", "release")
    texts = [*PROJECT["dependencies"], *(text for name in for_users for text in extras[name])]
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    rows = {row.split("|")[1].strip(" `"): row for row in text.splitlines() if row.startswith("| `")}
    for each in texts:
        assert Requirement(each).name in rows, each
    assert "GPL-2.0" in rows["unicorn"]


def test_the_exported_c_header_says_its_licence() -> None:
    """The header itself names it, and DEVELOPERS.md what that means for the code it is compiled with."""
    header = (ROOT / "imgtool_src/gemel/export/gemel_record.h").read_text("utf-8")
    assert "SPDX-License-Identifier: Apache-2.0" in header
    text = " ".join((ROOT / "DEVELOPERS.md").read_text("utf-8").split())
    assert "your own code stays under your licence" in text


def test_ci_installs_every_program_that_tests_run() -> None:
    """On a bare Debian machine each comes with a package of .ci/run, or with one that such a package depends on."""
    texts = [path.read_text("utf-8") for path in (ROOT / "tests").rglob("*.py")]
    named = {name for text in texts for name in re.findall(r'required_tool\("([^"]+)"|"(llvm-\w+)"', text)}
    programs = [path for names in named if (path := shutil.which("".join(names)))]
    query = [required_tool("dpkg-query"), "--show"]
    form = "--showformat=${Package}\t${Pre-Depends},${Depends}\t${Essential}\n"
    done = subprocess.run([*query, form], capture_output=True, text=True, check=True)
    packages = {line.split("\t")[0]: line.split("\t")[1:] for line in done.stdout.splitlines()}
    listed = re.search(
        r"^tools=\((.*?)^\)", (ROOT / ".ci" / "run").read_text("utf-8"), re.MULTILINE | re.DOTALL
    )
    assert listed
    installed, due = set[str](), listed[1].split()
    due += [name for name, (_, essential) in packages.items() if essential == "yes"]
    while due:
        name = due.pop()
        if name in packages and name not in installed:
            installed.add(name)
            due += re.findall(r"(?:^|[,|])\s*([a-z0-9.+-]+)", packages[name][0])
    paths = sorted({os.path.realpath(program) for program in programs})
    done = subprocess.run([*query[:1], "--search", *paths], capture_output=True, text=True, check=False)
    owners = {path: name for line in done.stdout.splitlines() for name, path in [line.split(": ")]}
    assert {path: name for path, name in owners.items() if name.split(":")[0] not in installed} == {}
