"""ELF files that were converted as text are refused as that; what is cut or without sections is not called so."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from verdict_builds import BUILT

from gemel.builds.elf import converted
from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.errors import BuildError

FILES = ("sampler-limit-clang-v8", "sampler-rust-v7", "sampler-not-tasks-v7", "sampler-vtor-v7")
SEVEN_BITS = bytes(each & 0x7F for each in range(256))
CONVERSIONS: dict[str, Callable[[bytes], bytes]] = {
    "CR LF for LF": lambda data: data.replace(b"\n", b"\r\n"),
    "UTF-8": lambda data: data.decode("latin-1").encode(),
    "LF for CR LF, and no CR": lambda data: data.replace(b"\r", b""),
    "seven bits a byte": lambda data: data.translate(SEVEN_BITS),
    "seven bits a byte, after the header": lambda data: data[:52] + data[52:].translate(SEVEN_BITS),
}
OTHERS: dict[str, Callable[[bytes], bytes]] = {
    "as it is": lambda data: data,
    "its end cut off": lambda data: data[:-300],
    "half of it cut off": lambda data: data[: len(data) // 2],
    "no section headers": lambda data: data[:32] + bytes(4) + data[36:48] + bytes(4) + data[52:],
}


def _said(data: bytes) -> str:
    try:
        read_build(BytesSource(data, "core.elf"), name="core", file="core.elf")
    except BuildError as error:
        return " ".join(f"{each.what}: {each.found}" for each in error.problems)
    return ""


@pytest.mark.parametrize("file", FILES)
@pytest.mark.parametrize("case", CONVERSIONS)
def test_a_converted_file_is_called_so(case: str, file: str) -> None:
    """It is the only problem, whatever of the file can still be read."""
    before = (BUILT / f"{file}.elf").read_bytes()
    data = CONVERSIONS[case](before)
    assert data == before or _said(data).startswith("the ELF file was converted as text: ")


@pytest.mark.parametrize("file", FILES)
@pytest.mark.parametrize("case", OTHERS)
def test_other_files_are_not_called_converted(case: str, file: str) -> None:
    """Section headers that are there, that nothing says of, or of which a part is missing."""
    assert "converted" not in _said(OTHERS[case]((BUILT / f"{file}.elf").read_bytes()))


def test_few_bytes_say_nothing_of_seven_bits() -> None:
    """A file with fewer than MIN_TELLING bytes after its header may have none from 0x80 on."""
    header = (BUILT / "sampler-vtor-v7.elf").read_bytes()[:52].translate(SEVEN_BITS)
    given = {size: header + b"x" * size for size in (converted.MIN_TELLING - 1, converted.MIN_TELLING)}
    assert [size for size, data in given.items() if "converted" in _said(data)] == [converted.MIN_TELLING]


def test_a_file_above_the_limit_is_not_looked_at(monkeypatch: pytest.MonkeyPatch) -> None:
    """MAX_CONVERTED bounds what is read of a malformed file."""
    data = CONVERSIONS["CR LF for LF"]((BUILT / "sampler-vtor-v7.elf").read_bytes())
    monkeypatch.setattr(converted, "MAX_CONVERTED", len(data) - 1)
    assert "converted" not in _said(data)
