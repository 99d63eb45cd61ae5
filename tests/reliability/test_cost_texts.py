"""Layouts and keys below 1 MB that say little at great length: each command ends within 2 s."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
import small_device
from sealed_device import SEAL, Run, run_here, write_device
from seconds import within

from gemel.image.intel_hex import encode

LAYOUTS: dict[str, Callable[[], str]] = {
    "arrays inside each other": lambda: "format = 1\nx = " + "[" * 450_000,
    "values of one list": lambda: (
        _device() + "[[rehearsal.sequence]]\nat = 0x5000_0000\nvalues = [" + "1," * 250_000 + "]\n"
    ),
    "keys that nobody knows": lambda: _device() + "".join(f"k{number} = 1\n" for number in range(40_000)),
    "areas": lambda: _device() + _tables("area", 8_000, 'memory = "flash"\noffset = 0\nsize = 1\n'),
    "ranges of one checksum": lambda: (
        f'{_device()}[[checksum]]\nname = "z"\nalgorithm = "CRC-32/ISO-HDLC"\nat = 0\nover = ['
        + "{start = 0x1000_0000, size = 16}," * 14_000
        + "]\n"
    ),
}
KEYS: dict[str, bytes] = {
    "beginnings of one block": b"-----BEGIN PUBLIC KEY-----\n" * 30_000,
    "beginnings of many blocks": b"".join(b"-----BEGIN %d-----\n" % number for number in range(40_000)),
    "beginnings in a file of the largest size": b"-----BEGIN PUBLIC KEY-----\n" * 2_400,
    "a number without end in DER": b"\x30\x83\x0d\xbb\xa0" + bytes(900_000),
}


def _device() -> str:
    return small_device.layout_text(None, SEAL)


def _tables(name: str, count: int, text: str) -> str:
    return "".join(f"[{name}.x{number}]\n{text}" for number in range(count))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small device and an image that is no file of interest."""
    folder = tmp_path_factory.mktemp("texts")
    write_device(folder, SEAL)
    (folder / "image.bin").write_bytes(bytes(64))
    return folder


@pytest.mark.parametrize("name", LAYOUTS)
def test_a_layout_of_the_largest_size_ends_in_time(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], name: str
) -> None:
    """Whatever fills it, the errors are told, in a time that grows with its size and no faster."""
    monkeypatch.chdir(folder)
    Path("x.toml").write_text(LAYOUTS[name](), encoding="utf-8")
    gemel: Run = run_here(capfd)
    with within(2):
        ended = gemel("check", "x.toml", "image.bin")
    assert ended.code == 2
    assert "fault in gemel" not in ended.err


@pytest.mark.parametrize("algorithm", ["CRC-32/ISO-HDLC", "sum-32-of-bytes"])
def test_checksums_that_do_not_match_are_explained_in_time(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], algorithm: str
) -> None:
    """The attack: 250 checksums, each with a search for the one change that would make it right: 2.8 s."""
    monkeypatch.chdir(folder)
    text = small_device.layout_text().partition("[record]")[0]
    for number in range(250):
        at = f'{{ area = "station-code", offset = {0x800 + 4 * number} }}'
        text += f'[[checksum]]\nname = "c{number}"\nalgorithm = "{algorithm}"\nat = {at}\n'
        text += 'over = [{ area = "sampler-code" }]\n'
    Path("x.toml").write_text(text, encoding="utf-8")
    Path("x.hex").write_bytes(b"".join(encode(small_device.joined().image)))
    gemel: Run = run_here(capfd)
    with within(2):
        ended = gemel("check", "x.toml", "x.hex")
    assert (ended.code, ended.out.count("BROKEN checksums-match")) == (1, 250)


def test_checksums_with_many_exceptions_are_explained_in_time(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """The attack: checksums of 250 ranges, which were read for each value, and counted as one: 60 took 11.7 s."""
    monkeypatch.chdir(folder)
    holes = ", ".join(f"{{ start = {small_device.SAMPLER + 2 * number}, size = 1 }}" for number in range(250))
    text = small_device.layout_text()
    for number in range(16):
        at = f'{{ area = "station-code", offset = {0x800 + 4 * number} }}'
        text += f'[[checksum]]\nname = "c{number}"\nalgorithm = "CRC-32/ISO-HDLC"\nat = {at}\n'
        text += f'over = ["sampler-code"]\nexcept = [{holes}]\n'
    Path("x.toml").write_text(text, encoding="utf-8")
    Path("x.hex").write_bytes(b"".join(encode(small_device.joined().image)))
    gemel: Run = run_here(capfd)
    with within(2):
        ended = gemel("check", "x.toml", "x.hex")
    assert ended.code == 1
    assert "fault in gemel" not in ended.everything


@pytest.mark.parametrize("name", KEYS)
def test_a_key_of_the_largest_size_ends_in_time(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], name: str
) -> None:
    """The attack: 780 KB of beginnings of PEM blocks took half a minute, since each looked for its end."""
    monkeypatch.chdir(folder)
    Path("k.pem").write_bytes(KEYS[name])
    gemel: Run = run_here(capfd)
    for words in (("keys", "show", "k.pem"), ("check", "small.toml", "image.bin", "--trust", "k.pem")):
        with within(2):
            ended = gemel(*words)
        assert ended.code == 2
        assert "fault in gemel" not in ended.err
