"""Images to show: the tide gauge as joined in memory, and made-up devices of 2 MiB and 64 MiB."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterable
from functools import cache

import small_device
import verdict_builds
from small_device import builds, joined, layout
from tide_gauge import BUILT, layout_file

from gemel.builds.build import Build
from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.comparing.changes import Comparison
from gemel.image import intel_hex
from gemel.image.image import Image, ImageFile
from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join
from gemel.layout.reader import ReadLayout, read_layout
from gemel.show.as_text.whole import text_of
from gemel.show.facts.contents import Contents
from gemel.show.facts.gather import contents_of, contents_of_file
from gemel.spans import Span
from gemel.text.styled import ASCII, BLOCKS, Line, Signs
from gemel.workflows.comparing import compare

KIB = 1 << 10


def plain(lines: Iterable[Line]) -> str:
    """The lines without their styles, each ended by a newline."""
    return "".join("".join(piece.text for piece in line) + "\n" for line in lines)


def gauge_layout(arrangement: str) -> ReadLayout:
    """One of the gauge's layouts, under its bare file name."""
    path = layout_file(arrangement)
    return read_layout(path.read_bytes(), path.name)


def gauge_builds(arrangement: str) -> dict[str, Build]:
    """The gauge's committed builds."""
    files = {name: BUILT / arrangement / f"{name}.elf" for name in ("station", "sampler")}
    return {
        name: read_build(BytesSource(path.read_bytes(), path.name), name=name, file=path.name)
        for name, path in files.items()
    }


def hex_file(image: SparseBytes, entry: int | None) -> ImageFile:
    """The Intel HEX file of an image, as join writes it."""
    text = b"".join(intel_hex.encode(image, entry))
    return ImageFile(len(text), hashlib.sha256(text).digest())


def gauge(arrangement: str, *, with_builds: bool = True) -> Contents:
    """What is in the gauge's image."""
    read, builds = gauge_layout(arrangement), gauge_builds(arrangement)
    joined = join(read, builds)
    file = hex_file(joined.image, joined.entry)
    subject = Inspection(read, joined.image, builds if with_builds else {}, image_file=file)
    return contents_of(subject, "tide.hex", joined.entry)


def gauge_alone(arrangement: str) -> Contents:
    """What the gauge's image file alone tells."""
    joined = join(gauge_layout(arrangement), gauge_builds(arrangement))
    file = hex_file(joined.image, joined.entry)
    return contents_of_file(joined.image, "tide.hex", joined.entry, read_from=file)


def small(
    change: Callable[[SparseBytes], None] | None = None,
    *,
    builds: dict[str, Build] | None = None,
    layout: ReadLayout | None = None,
) -> Contents:
    """The small device's image, ``change`` applied to it; without ``builds`` the image alone is read."""
    read = layout or small_device.layout()
    image = small_device.joined(read).image
    if change:
        change(image)
    return contents_of(Inspection(read, image, builds or {}), "small.hex")


def spoiled(image: SparseBytes) -> None:
    """A byte of the record, of each build and of a checksum changed, and bytes where none belong."""
    for address in (small_device.RECORD + 0x20, small_device.STATION + 0x90, small_device.SAMPLER + 0x94):
        byte = image.read(Span(address, 1), 0xFF)[0]
        image.write(address, bytes((byte ^ 0xFF,)))
    image.write(small_device.SPARE + 0x100, b"left behind")
    image.write(small_device.FLASH + 0x3000, b"\x00" * 40)
    image.write(0x4000_0000, b"in no memory")


def stale_builds(image: SparseBytes) -> None:
    """A byte of each build changed, so that the record's digests and the checksum differ."""
    for address in (small_device.STATION + 0x90, small_device.SAMPLER + 0x94):
        byte = image.read(Span(address, 1), 0xFF)[0]
        image.write(address, bytes((byte ^ 0xFF,)))


BIG_LAYOUT = """\
format = 1
product = "big"
[memory.flash]
kind = "flash"
start = {start}
size = {size}
erase_block = "8 KiB"
write_unit = 16
[memory.ram]
kind = "ram"
start = 0x2000_0000
size = "512 KiB"
[core.station]
role = "primary"
architecture = "armv7e-m"
interrupts = 100
ram = ["station-ram"]
[core.sampler]
role = "secondary"
architecture = "armv6-m"
interrupts = 20
[area.station-ram]
memory = "ram"
offset = 0
size = "256 KiB"
purpose = "data"
[build.station]
core = "station"
stored_in = "station-code"
[build.sampler]
core = "sampler"
stored_in = "sampler-code"
"""

Area = tuple[str, int, int, str, int]
"""Name, offset, size, purpose, bytes used from its start on."""

TWO_MIB: tuple[Area, ...] = (
    ("boot", 0, 64 * KIB, "code", 51_000),
    ("station-code", 64 * KIB, 1216 * KIB, "code", 931_000),
    ("sampler-code", 1280 * KIB, 640 * KIB, "code", 601_234),
    ("settings", 1920 * KIB, 96 * KIB, "data", 0),
    ("record", 2016 * KIB, 4 * KIB, "record", 0),
    ("seal", 2020 * KIB, 16 * KIB, "seal", 0),
)
SIXTY_FOUR_MIB: tuple[Area, ...] = (
    ("station-code", 0, 4096 * KIB, "code", 3_000_000),
    ("sampler-code", 4096 * KIB, 2048 * KIB, "code", 1_200_000),
    ("record", 6144 * KIB, 4 * KIB, "record", 0),
    ("seal", 6148 * KIB, 16 * KIB, "seal", 0),
    ("pictures", 8192 * KIB, 40_960 * KIB, "data", 30_720 * KIB),
)


def big(start: int, size: int, areas: tuple[Area, ...]) -> Contents:
    """A device with one large flash; what is used holds the byte 0x5A."""
    text = BIG_LAYOUT.format(start=start, size=size)
    image = SparseBytes()
    for name, offset, area_size, purpose, used in areas:
        text += f'[area.{name}]\nmemory = "flash"\noffset = {offset}\nsize = {area_size}\n'
        text += f'purpose = "{purpose}"\n'
        image.write(start + offset, b"\x5a" * used)
    return contents_of(Inspection(read_layout(text.encode(), "big.toml"), image), "big.hex")


def _alone(change: Callable[[SparseBytes], None]) -> Contents:
    image = SparseBytes()
    change(image)
    return contents_of_file(image, "alone.hex")


def _unknown(image: SparseBytes) -> None:
    image.write(0x0800_0000, bytes(range(1, 200)) + b"\xff" * 1000 + b"\x00" * 300 + b"end")
    image.write(0x0800_2000, b"x" * 50)
    image.write(0x9000_0000, b"far away" * 8)


def overlays() -> Contents:
    """A station of which two sections take turns at one place in RAM."""
    read, builds = verdict_builds.layout_of("v8"), verdict_builds.builds_of("v8", "station-overlays")
    image = join(read, builds).image
    return contents_of(Inspection(read, image, builds), "overlays.hex")


CASES: dict[str, tuple[Callable[[], Contents], int, Signs]] = {
    "in-place-80": (lambda: gauge("in-place"), 80, BLOCKS),
    "in-place-80-ascii": (lambda: gauge("in-place"), 80, ASCII),
    "in-place-60": (lambda: gauge("in-place"), 60, BLOCKS),
    "in-place-120": (lambda: gauge("in-place"), 120, BLOCKS),
    "in-place-without-builds": (lambda: gauge("in-place", with_builds=False), 80, BLOCKS),
    "in-place-alone": (lambda: gauge_alone("in-place"), 80, BLOCKS),
    "copied-80": (lambda: gauge("copied"), 80, BLOCKS),
    "copied-80-ascii": (lambda: gauge("copied"), 80, ASCII),
    "copied-without-builds": (lambda: gauge("copied", with_builds=False), 80, BLOCKS),
    "two-banks-80": (lambda: gauge("two-banks"), 80, BLOCKS),
    "two-banks-80-ascii": (lambda: gauge("two-banks"), 80, ASCII),
    "two-banks-alone": (lambda: gauge_alone("two-banks"), 80, BLOCKS),
    "small-stale-builds": (lambda: small(stale_builds, builds=small_device.builds()), 80, BLOCKS),
    "small-spoiled": (lambda: small(spoiled), 80, BLOCKS),
    "overlays-80": (overlays, 80, BLOCKS),
    "two-mib-80": (lambda: big(0x0800_0000, 2048 * KIB, TWO_MIB), 80, BLOCKS),
    "two-mib-120": (lambda: big(0x0800_0000, 2048 * KIB, TWO_MIB), 120, BLOCKS),
    "sixty-four-mib-80": (lambda: big(0x6000_0000, 65_536 * KIB, SIXTY_FOUR_MIB), 80, BLOCKS),
    "empty-with-layout": (lambda: small(lambda image: image.erase(Span(0, 1 << 32))), 80, BLOCKS),
    "empty-alone": (lambda: _alone(lambda image: None), 80, BLOCKS),
    "unknown-alone": (lambda: _alone(_unknown), 80, BLOCKS),
}
"""What is rendered for the stored texts, at which width and with which signs."""


def digests_apart(text: str) -> str:
    """The text without the lines of whole digests, which keep to no width."""
    return "\n".join(line for line in text.splitlines() if not re.search(r"\b[0-9a-f]{64}$", line))


def rendering(name: str) -> str:
    """The text of one case."""
    make, width, signs = CASES[name]
    return plain(text_of(make(), width, signs))


@cache
def comparison() -> Comparison:
    """Of two images that are the same."""
    image = Image(joined().image)
    return compare(image, image, layout(), old_builds=builds(), new_builds=builds())
