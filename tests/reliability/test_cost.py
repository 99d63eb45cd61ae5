"""Inputs below 1 MB that once took minutes: each command ends within 2 s, by an answer or a clear error."""

from __future__ import annotations

import tracemalloc
from collections.abc import Callable
from pathlib import Path

import pytest
from sealed_device import Run, run_here, write_device, write_key
from seconds import within
from small_device import RECORD, joined

from gemel.image.gathering import MAX_RUNS
from gemel.record.format import MARK
from gemel.spans import Span

LARGEST = 1_000_000


def record() -> bytes:
    """The record of the small device."""
    return joined().image.read(Span(RECORD, 0x400), 0xFF).rstrip(b"\xff")


def runs(count: int, distance: int) -> bytes:
    """An Intel HEX file of ``count`` single bytes from 0x1000_0000 on, each ``distance`` after the last."""
    lines, high = [], -1
    for number in range(count):
        address = 0x1000_0000 + number * distance
        if address >> 16 != high:
            high = address >> 16
            lines.append(_line(bytes([2, 0, 0, 4, high >> 8, high & 0xFF])))
        lines.append(_line(bytes([1, address >> 8 & 0xFF, address & 0xFF, 0, 0x5A])))
    return "\n".join([*lines, ":00000001FF\n"]).encode()


def _line(data: bytes) -> str:
    return f":{data.hex().upper()}{-sum(data) & 0xFF:02X}"


IMAGES: dict[str, tuple[str, Callable[[], bytes]]] = {
    "marks of records": ("x.bin", lambda: MARK * (LARGEST // len(MARK))),
    "heads of records inside each other": ("x.bin", lambda: record()[:64] * (LARGEST // 64)),
    "sound records": ("x.bin", lambda: record() * (LARGEST // len(record()))),
    "heads of seals": ("x.bin", lambda: bytes.fromhex("d8628458") * (LARGEST // 4)),
    "as many runs as are read": ("x.hex", lambda: runs(MAX_RUNS, 2)),
    "runs far from each other": ("x.hex", lambda: runs(MAX_RUNS, 0x400)),
    "more runs than are read": ("x.hex", lambda: runs(65_536, 2)),
}
COMMANDS = (
    ("show", "{}", "--layout", "small.toml"),
    ("show", "{}", "--layout", "small.toml", "--format", "json"),
    ("show", "{}", "--at", "0x1000_0000"),
    ("check", "small.toml", "{}"),
    ("check", "small.toml", "image.hex", "station={}"),
    ("check", "{}", "--at", "0x1000_0000", "--policy", "policy.toml"),
    ("join", "small.toml", "station={}", "sampler=sampler.elf", "-o", "new.hex"),
    ("rehearse", "small.toml", "{}"),
    ("compare", "small.toml", "{}", "image.hex"),
    ("draft", "station={}"),
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small device, its image and a policy."""
    from gemel.image.intel_hex import encode

    folder = tmp_path_factory.mktemp("cost")
    write_device(folder)
    write_key(folder / "a.pem")
    (folder / "image.hex").write_bytes(b"".join(encode(joined().image)))
    (folder / "policy.toml").write_text('format = 1\ntrust = ["a-pub.pem"]\n', encoding="utf-8")
    return folder


@pytest.mark.parametrize("name", IMAGES)
def test_an_image_of_the_largest_size_ends_in_time(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], name: str
) -> None:
    """Whatever fills the file, each command takes a time that grows with its size and no faster."""
    file, made = IMAGES[name]
    monkeypatch.chdir(folder)
    Path(file).write_bytes(made())
    assert Path(file).stat().st_size <= LARGEST + 50_000
    gemel: Run = run_here(capfd)
    for words in COMMANDS:
        if file == "x.hex" and "--at" in words:
            words = tuple(word for word in words if word not in ("--at", "0x1000_0000"))
        with within(2):
            ended = gemel(*(word.format(file) for word in words))
        assert "fault in gemel" not in ended.err, words


LARGE_AREA = """
format = 1
product = "large"
[memory.flash]
kind = "flash"
start = 0x1000_0000
size = "256 MiB"
[memory.ram]
kind = "ram"
start = 0x3000_0000
size = "64 KiB"
[core.a]
role = "primary"
architecture = "armv7-m"
interrupts = 16
ram = ["data"]
[area.code]
memory = "flash"
offset = 0
size = "128 MiB"
purpose = "code"
[area.data]
memory = "ram"
offset = 0
size = "64 KiB"
purpose = "data"
[build.a]
core = "a"
stored_in = "code"
"""


def test_a_few_bytes_in_a_large_area_cost_as_few(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """Two bytes at both ends of 120 MiB: what is erased between them is not read, and takes no memory."""
    monkeypatch.chdir(folder)
    Path("large.toml").write_text(LARGE_AREA, encoding="utf-8")
    Path("sparse.hex").write_bytes(runs(2, 120 << 20))
    gemel = run_here(capfd)
    tracemalloc.start()
    try:
        with within(1):
            checked = gemel("check", "large.toml", "sparse.hex")
        assert "large" in checked.out
        assert tracemalloc.get_traced_memory()[1] < 32 << 20
    finally:
        tracemalloc.stop()


def test_marks_beyond_the_first_are_counted(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """What is not looked at is said with its number, and the record that the layout expects is always looked at."""
    monkeypatch.chdir(folder)
    fill = MARK * (0x2800 // len(MARK))
    Path("marks.bin").write_bytes(fill + record())
    shown = run_here(capfd)("show", "marks.bin", "--layout", "small.toml")
    assert "further marks of records" in shown.out
    assert "small-device 1.2.3" in shown.out
