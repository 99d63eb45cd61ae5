"""``gemel join`` as a whole: builds by path and by name, outputs, exit codes."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from elf_writer import SegmentSpec
from intelhex import IntelHex
from small_device import FLASH, SPARE, builds, joined, layout, layout_text, sampler_elf, station_elf

from gemel.cli.main import exit_code
from gemel.joining.pipeline import join as join_builds
from gemel.placement.placed import Version
from gemel.spans import Span

PATHS = {
    'core = "station"\nstored_in': 'core = "station"\npath = "builds/station.elf"\nstored_in',
    'core = "sampler"\nstored_in': 'core = "sampler"\npath = "builds/sampler.elf"\nstored_in',
}
NAMED = ("station=elsewhere/station.elf", "sampler=elsewhere/sampler.elf")
OTHER_CODE = bytes(range(128, 256))


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with the layout in ``device``, its builds beside it, and other builds in ``elsewhere``."""
    monkeypatch.chdir(tmp_path)
    for name in ("device/builds", "elsewhere"):
        (tmp_path / name).mkdir(parents=True)
    (tmp_path / "device" / "small.toml").write_text(layout_text(PATHS), encoding="utf-8")
    for place, code in (("device/builds", None), ("elsewhere", OTHER_CODE)):
        options = {} if code is None else {"code": code}
        (tmp_path / place / "station.elf").write_bytes(station_elf(**options))
        (tmp_path / place / "sampler.elf").write_bytes(sampler_elf(**options))
    return tmp_path


@pytest.fixture
def join(capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str, str]]:
    """Runs ``gemel join`` on the layout, to ``tide.hex`` and ``tide.bin``."""

    def run(*words: str) -> tuple[int, str, str]:
        code = exit_code(["join", "device/small.toml", *words, "-o", "tide.hex", "-o", "tide.bin"])
        return (code, *capsys.readouterr())

    return run


def _written() -> bytes:
    """Flash as an independent reader finds it in the HEX file, which must agree with the binary."""
    hex_file = IntelHex("tide.hex")
    data = hex_file.tobinstr(FLASH, size=hex_file.maxaddr() - FLASH + 1)
    binary = Path("tide.bin").read_bytes()
    assert binary[: len(data)] == data
    assert set(binary[len(data) :]) <= {0xFF}
    return data


def _flash(handed=None, version: Version | None = None) -> bytes:
    image = join_builds(layout(), handed or builds(), version).image
    bounds = image.bounds()
    assert bounds is not None
    return image.read(Span(FLASH, bounds.end - FLASH), 0xFF)


def test_builds_by_their_path_in_the_layout(join) -> None:
    """Paths count from the layout's folder, and where they are does not change the image."""
    code, output, errors = join()
    assert code == 0, errors
    assert "0x1000_0000..0x1000_012F" in output
    assert _written() == _flash()


def test_the_command_line_overrides_paths(join) -> None:
    """A build named on the command line stands in for its path; the other keeps its own."""
    assert join(*NAMED)[0] == 0
    both = builds(station_elf(code=OTHER_CODE), sampler_elf(code=OTHER_CODE))
    assert _written() == _flash(both)
    assert join(NAMED[1])[0] == 0
    assert _written() == _flash(builds(sampler=sampler_elf(code=OTHER_CODE)))


def test_the_version_of_the_command_line(join) -> None:
    """``--version`` stands in for the layout's and is held by the image."""
    assert join("--version", "2.0.1")[0] == 0
    assert _written() == _flash(version=Version(2, 0, 1))


def test_a_missing_build(join) -> None:
    """A build whose file is nowhere, and an unknown name, end with 2, and nothing is written."""
    Path("device/small.toml").write_text(layout_text(), encoding="utf-8")
    code, output, errors = join(NAMED[0])
    assert (code, output) == (2, "")
    assert "build sampler is missing" in errors
    code, _, errors = join(*NAMED, "logger=elsewhere/station.elf")
    assert code == 2
    assert "logger" in errors
    assert not Path("tide.hex").exists()


def test_builds_that_do_not_go_together(join) -> None:
    """A build with bytes in a reserved area ends with 1, tells where, and leaves older outputs alone."""
    assert join()[0] == 0
    before = Path("tide.hex").read_bytes()
    astray = station_elf(extra=(SegmentSpec(SPARE, b"settings"),))
    Path("elsewhere/station.elf").write_bytes(astray)
    code, output, errors = join(NAMED[0])
    assert code == 1
    assert "falls into area spare (reserved)" in output + errors
    assert Path("tide.hex").read_bytes() == before


def test_an_image_that_breaks_a_rule_is_not_written(join) -> None:
    """What joins but breaks a rule of severity error is told as a finding, and nothing is written."""
    Path("elsewhere/sampler.elf").write_bytes(sampler_elf(words={0: 0x3000_1234}))
    code, output, errors = join(NAMED[1])
    assert code == 1
    assert "BROKEN stack-pointer-in-own-ram" in output
    assert "nothing was written" in errors
    assert not Path("tide.hex").exists()


def test_what_was_joined_is_what_is_checked() -> None:
    """The image that `join` makes in the library is the one the command writes."""
    assert exit_code(["join", "device/small.toml", "-o", "tide.hex", "-o", "tide.bin"]) == 0
    image = joined().image
    assert [tuple(segment) for segment in IntelHex("tide.hex").segments()] == [
        (span.start, span.end) for span in image.spans()
    ]
