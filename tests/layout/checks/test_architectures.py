"""Which extensions an architecture can have, against the compiler (GNU Arm, ``-march``)."""

from __future__ import annotations

import subprocess

import pytest
from tools import required_tool

from gemel.m_profile.architectures import ARCHITECTURES, EXTENSIONS, EXTENSIONS_OF

# The compiler's names; it has none for memory protection and security, which change no instruction choice
# (``-mcmse`` is an option of its own), and takes dsp of armv7e-m as part of the architecture.
IN_MARCH = {"fp": "fp", "fp-double": "fp.dp", "dsp": "dsp", "mve": "mve", "mve-fp": "mve.fp"}


def compiler_takes(*options: str) -> bool:
    """Whether the compiler accepts the options for an empty source."""
    command = [required_tool("arm-none-eabi-gcc"), *options, "-mthumb", "-x", "c", "-fsyntax-only", "-"]
    return subprocess.run(command, input=b"", capture_output=True, check=False).returncode == 0


@pytest.mark.parametrize("architecture", ARCHITECTURES)
@pytest.mark.parametrize("extension", IN_MARCH)
def test_the_compiler_knows_the_same_extensions(architecture: str, extension: str) -> None:
    """The layout allows the extensions that the compiler takes for an architecture, and no others."""
    allowed = extension in EXTENSIONS_OF[architecture]
    if (architecture, extension) == ("armv7e-m", "dsp"):
        assert allowed
        assert compiler_takes(f"-march={architecture}")
    else:
        assert compiler_takes(f"-march={architecture}+{IN_MARCH[extension]}") == allowed


@pytest.mark.parametrize("architecture", ARCHITECTURES)
def test_the_compiler_knows_the_same_architectures_with_security(architecture: str) -> None:
    """The security extension goes with the architectures for which the compiler takes ``-mcmse``."""
    assert compiler_takes(f"-march={architecture}")
    assert compiler_takes(f"-march={architecture}", "-mcmse") == ("security" in EXTENSIONS_OF[architecture])


def test_every_architecture_and_extension_has_its_place() -> None:
    """The table speaks of all words of the language, and of no others."""
    assert tuple(EXTENSIONS_OF) == ARCHITECTURES
    assert set().union(*EXTENSIONS_OF.values()) == set(EXTENSIONS)
