"""Joined images run: both cores of an emulated machine boot from what join wrote."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

import pytest
from tide_gauge import BOOTABLE, BUILT, boot, expected_text, join, read_elf
from tools import required_tool

pytestmark = pytest.mark.usefixtures("_emulator")

SAMPLER_AREA = slice(0x8000, 0x10000)
"""The sampler's code area in the binary of the in-place arrangement."""


@pytest.fixture(scope="module")
def _emulator() -> None:
    required_tool("qemu-system-arm")


@pytest.fixture(scope="module", params=BOOTABLE)
def joined(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[str, Path]:
    """An arrangement, and the folder with its image in both formats."""
    folder = tmp_path_factory.mktemp(request.param)
    join(request.param, folder / "image.bin", folder / "image.hex")
    return request.param, folder


@pytest.mark.parametrize("name", ["image.bin", "image.hex"])
def test_both_cores_run_from_the_joined_image(joined: tuple[str, Path], name: str) -> None:
    """The station finds every stamp and checksum right and the sampler's frames have the right values."""
    arrangement, folder = joined
    assert boot(folder / name) == expected_text(arrangement)


@pytest.fixture
def sound_image(tmp_path: Path) -> Path:
    """The in-place arrangement as a binary that a test may damage."""
    image = tmp_path / "image.bin"
    join("in-place", image)
    return image


def test_device_refuses_a_changed_sampler(sound_image: Path) -> None:
    """One flipped bit in unwritten flash of the sampler's area keeps the sampler in reset."""
    data = bytearray(sound_image.read_bytes())
    stored = struct.unpack("<I", data[SAMPLER_AREA][-4:])[0]
    data[0xE000] ^= 0x10
    computed = zlib.crc32(data[SAMPLER_AREA][:-4])
    sound_image.write_bytes(data)
    assert boot(sound_image) == [
        *expected_text("in-place")[:3],
        f"sampler: checksum {computed:08x} BAD, stored {stored:08x}",
        "station: the sampler stays in reset",
        "tide gauge: stopped",
    ]


def test_station_waits_bounded_for_a_silent_sampler(sound_image: Path) -> None:
    """A sampler that sleeps from its reset on is reported as silent, and the station ends."""
    sampler = read_elf(BUILT / "in-place" / "sampler.elf")
    data = bytearray(sound_image.read_bytes())
    area = bytearray(data[SAMPLER_AREA])
    struct.pack_into("<I", area, 4, sampler.symbols["unexpected_exception"])
    computed = zlib.crc32(area[:-4])
    struct.pack_into("<I", area, len(area) - 4, computed)
    data[SAMPLER_AREA] = area
    sound_image.write_bytes(data)
    expected = expected_text("in-place")
    assert boot(sound_image) == [
        *expected[:3],
        f"sampler: checksum {computed:08x} ok",
        expected[4],
        "station: the sampler does not answer",
        "tide gauge: stopped",
    ]
