"""The lock of a signing host and the table of dependencies are held to pyproject.toml, without a network."""

from __future__ import annotations

import re
import tomllib
from importlib.metadata import requires

import pytest
from lock_requirements import LOCK, ROOT, wanted
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

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
