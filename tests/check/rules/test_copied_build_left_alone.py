"""``copied-build-left-alone``: data of another build in the RAM that a copy fills."""

from __future__ import annotations

from elf_writer import SegmentSpec, SymbolSpec
from gauge_builds import gauge, gauge_builds
from ram_and_start import of
from small_device import CODE, SAMPLER_RUN, apply, builds, findings, layout, station_elf
from vector_fixtures import copied_layout, copied_sampler

from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.image.sparse import SparseBytes
from gemel.joining.pipeline import join

RULE = "copied-build-left-alone"


def _station(start, size, symbols=()):
    segment = SegmentSpec(start, b"", memory_size=size, flags="rw")
    return station_elf(extra=(segment,), symbols=symbols)


def _alone(start, size, symbols=(), read=None, keep=("station",)):
    """Only the station's file is at hand; the image tells of the sampler."""
    read = read or copied_layout()
    handed = builds(_station(start, size, symbols), copied_sampler())
    image = join(read, handed).image
    return apply(RULE, read, image, {name: handed[name] for name in keep})


def _padded(start, size):
    """Both files are at hand."""
    return apply(RULE, copied_layout(), None, builds(_station(start, size), copied_sampler()))


def _raw(name):
    """Both files are given, that of ``name`` as a raw binary; the station uses RAM in the copy."""
    handed = builds(_station(SAMPLER_RUN + 0x20, 0x40), copied_sampler())
    segment = handed[name].stored[0]
    source = BytesSource(segment.data, f"{name}.bin")
    raw = read_build(source, name=name, file=f"{name}.bin", raw_start=segment.load_address)
    return apply(RULE, copied_layout(), join(copied_layout(), handed).image, {**handed, name: raw})


SIZE = 4 * 32 + len(CODE) + 36
"""Bytes of the copied sampler: vectors, code, build id note; the last write unit has four more."""


BREAKS = {
    "the record shows of the copy": lambda: _alone(
        SAMPLER_RUN + 0x20, 0x40, (SymbolSpec("tides", SAMPLER_RUN + 0x20, 0x40, "object"),)
    ),
    "the bytes of the area show of the copy": lambda: _alone(
        SAMPLER_RUN + 0x20,
        0x40,
        read=layout(
            {
                'stored_in = "sampler-code"': 'stored_in = "sampler-code"\nruns_in = "sampler-run"',
                '[record]\narea = "record"\nvendor = "harbour.example"\nclass = "small device"\n': "",
            }
        ),
    ),
    "the padding of the copy": lambda: _padded(SAMPLER_RUN + SIZE, 4),
    "a raw binary that is copied": lambda: _raw("sampler"),
}
KEEPS = {
    "right after the copy": lambda: _padded(SAMPLER_RUN + SIZE + SIZE % 8, 4),
    "right after the copy, by the record": lambda: _alone(SAMPLER_RUN + 0x128, 0x40),
    "sound, copied": lambda: of(RULE, "copying-station"),
    "the tide gauge": lambda: apply(
        RULE, gauge("copied"), join(gauge("copied"), gauge_builds("copied")).image, gauge_builds("copied")
    ),
}


def test_what_both_files_tell_is_left_to_the_rule_about_claims() -> None:
    """Data over the very bytes of a copied build whose ELF file is at hand is told by ram-claims-apart."""
    assert not findings(of(RULE, "copying-station-tides-in-copy"))
    assert findings(of("ram-claims-apart", "copying-station-tides-in-copy"))


def test_without_the_other_file_nothing_is_known() -> None:
    """The file of the build that might take the RAM is needed."""
    result = _alone(SAMPLER_RUN + 0x20, 0x40, keep=())
    assert [each.reason for each in result.not_checked] == ["needs the ELF file: station=FILE"]


def test_a_raw_binary_does_not_show_its_ram() -> None:
    """What a build takes besides its bytes is in its ELF file only."""
    (missing,) = _raw("station").not_checked
    assert missing.reason.endswith("needs its ELF file")


def test_a_build_that_the_image_does_not_hold_is_not_looked_for() -> None:
    """Where nothing of the copied build is in the image, its size is not known."""
    result = apply(RULE, copied_layout(), SparseBytes(), {"station": builds()["station"]})
    assert [each.reason for each in result.not_checked] == ["nothing of the build was found in the image"]
