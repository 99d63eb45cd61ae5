"""Fixtures of the tests of rehearsals."""

from __future__ import annotations

import pytest
from rehearse.differential.building import GCC, Builder
from tools import required_tool


@pytest.fixture(scope="session")
def builder(tmp_path_factory: pytest.TempPathFactory, pytestconfig: pytest.Config) -> Builder:
    """The cross compilers, with what they have built; earlier runs have left it in pytest's cache."""
    for tool in (GCC, "clang"):
        required_tool(tool)
    cache = getattr(pytestconfig, "cache", None)
    return Builder(tmp_path_factory.mktemp("programs"), cache.mkdir("programs") if cache else None)
