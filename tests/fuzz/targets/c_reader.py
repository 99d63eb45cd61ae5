"""The exported C readers of record and seal under the sanitizers, compared with Python verdict by verdict.

Mutated inputs go to a program that stays; where there is time, libFuzzer looks for inputs that take other ways
through the C code, and each of those is compared too.
"""

from __future__ import annotations

import atexit
import os
import random
import shutil
import struct
import subprocess
import tempfile
import zlib
from collections.abc import Iterator
from functools import cache
from pathlib import Path

from c_hosts import SANITIZERS, compile_
from c_reader_verdicts import RECORD, record_verdict, seal_verdict
from damaged_records import START, small_image
from damaged_records import Case as Image
from damaged_seals import Case as Area
from damaged_seals import small_seal
from tools import required_tool

from gemel.export.c_reader import FILE_NAME, c_reader

REFUSALS = ()
SOURCE = Path(__file__).resolve().parents[2] / "export/c/fuzz.c"
LIBFUZZER = ["-fsanitize=fuzzer,address,undefined", "-fno-sanitize-recover=all", "-g", "-O1"]
LONGEST = 6000
"""Bytes of an input that libFuzzer makes."""

_GENERATOR = random.Random(20_261_128)
_IMAGES = [
    image for image, before in (small_image(count % 3 + 1, _GENERATOR) for count in range(60)) if not before
]
SEEDS = [b"\x00" + image for image in _IMAGES]
SEEDS += [bytes((2 * (at % 2),)) + small_seal(_GENERATOR) for at in range(12)]


def repaired(data: bytes) -> bytes:
    """The same input with the request to make its record's CRC fit."""
    return bytes((data[0] | 1,)) + data[1:] if data else data


@cache
def folder() -> Path:
    """A folder with the exported header and the record that seals are over."""
    made = Path(tempfile.mkdtemp(prefix="gemel-fuzz-"))
    atexit.register(shutil.rmtree, made, ignore_errors=True)
    (made / FILE_NAME).write_text(c_reader(), encoding="utf-8")
    (made / "record.inc").write_text(", ".join(map(str, RECORD)), encoding="utf-8")
    return made


@cache
def program() -> subprocess.Popen[bytes]:
    """The readers, waiting for inputs."""
    compile_(folder(), "gcc", "-std=c99", "-DCASES", *SANITIZERS, "-I.", str(SOURCE), "-o", "cases")
    child = subprocess.Popen(
        [folder() / "cases"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    atexit.register(child.communicate)
    return child


def verdicts(data: bytes) -> list[str]:
    """What the C readers must say of an input, by Python's."""
    flags, rest = (data[0], bytearray(data[1:])) if data else (0, bytearray())
    if flags & 1 and len(rest) >= 16:
        (size,) = struct.unpack_from("<I", rest, 12)
        if 24 <= size <= len(rest):
            struct.pack_into("<I", rest, size - 4, zlib.crc32(rest[: size - 4]))
    area = Area(bytes(rest), 0x00 if flags & 2 else 0xFF)
    return [record_verdict(Image(START, bytes(rest), 0)), seal_verdict(area)]


def decode(data: bytes) -> None:
    """Both give one verdict, and the sanitizers have nothing to say."""
    child = program()
    assert child.stdin
    assert child.stdout
    child.stdin.write(struct.pack("<I", len(data)) + data)
    child.stdin.flush()
    said = [child.stdout.readline().decode().rstrip("\n") for _ in range(2)]
    if child.poll() is not None or not said[1]:
        raise RuntimeError(child.stderr.read().decode("utf-8", "replace") if child.stderr else "")
    if said != verdicts(data):
        raise RuntimeError(f"C says {said}, Python {verdicts(data)}")


def explored(seconds: float, seed: int) -> Iterator[bytes]:
    """The inputs that libFuzzer found in that time to take ways of their own; a sanitizer's report is raised."""
    clang, corpus = required_tool("clang"), folder() / "corpus"
    words = [clang, "-std=c99", *LIBFUZZER, "-I.", str(SOURCE), "-o", "explore"]
    built = subprocess.run(words, cwd=folder(), capture_output=True, text=True, check=False)
    if built.returncode:
        if os.environ.get("GEMEL_REQUIRE_TOOLS") == "1":
            raise RuntimeError(built.stderr)
        print("c_reader: not explored by libFuzzer, which is not installed (Debian: libclang-rt-dev)")
        return
    corpus.mkdir(exist_ok=True)
    for number, data in enumerate(SEEDS):
        (corpus / f"seed-{number}").write_bytes(data)
    limits = [f"-max_total_time={max(1, round(seconds))}", f"-seed={seed & 0x7FFF_FFFF or 1}"]
    ran = subprocess.run(
        ["./explore", *limits, f"-max_len={LONGEST}", "-close_fd_mask=1", "corpus"],
        cwd=folder(),
        capture_output=True,
        text=True,
        errors="replace",
        check=False,
    )
    if ran.returncode:
        raise RuntimeError(ran.stderr)
    yield from (path.read_bytes() for path in sorted(corpus.iterdir()))
