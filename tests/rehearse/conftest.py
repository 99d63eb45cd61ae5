"""Fixtures of the tests of rehearsals."""

from __future__ import annotations

import pytest
from rehearse.differential.building import GCC, Builder
from tools import required_tool


@pytest.fixture(scope="session")
def builder(tmp_path_factory: pytest.TempPathFactory) -> Builder:
    """The cross compilers, with what they have built."""
    for tool in (GCC, "clang"):
        required_tool(tool)
    return Builder(tmp_path_factory.mktemp("programs"))
