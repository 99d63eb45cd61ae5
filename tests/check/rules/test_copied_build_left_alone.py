"""``copied-build-left-alone``: data of another build in the RAM that a copy fills."""

from __future__ import annotations

from builds.elf_writer import SegmentSpec, SymbolSpec
from check.vector_fixtures import copied_layout, copied_sampler
from gauge_builds import gauge, gauge_builds
from ram_and_start import of
from small_device import CODE, SAMPLER_RUN, apply, builds, findings, layout, station_elf

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
