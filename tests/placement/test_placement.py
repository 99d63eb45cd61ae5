"""Where the bytes of a build go: load addresses as programmer, core and RAM see them, run addresses, ends."""

from __future__ import annotations

import pytest
from elf_writer import SegmentSpec
from refusals import refused, whats
from small_device import (
    CODE,
    FLASH,
    SAMPLER,
    SAMPLER_RUN,
    STATION,
    STATION_RAM,
    build,
    builds,
    joined,
    layout,
    sampler_elf,
    station_elf,
)
from vector_fixtures import (
    HIGH,
    RUN,
    aliased_builds,
    aliased_layout,
    application_elf,
    copied_layout,
    copied_sampler,
    hex_build,
    two_station_builds,
    viewed_builds,
    viewed_layout,
)

from gemel.builds.build import Build
from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.image.intel_hex import encode as encode_hex
from gemel.image.s_record import encode as encode_s_record
from gemel.image.sparse import SparseBytes
from gemel.layout.reader import ReadLayout, read_layout
from gemel.placement.placed import PlacedBuild
from gemel.spans import Span

STAMP_AT_SYMBOL = 'at = { build = "station", symbol = "image_length" }'
NO_SYMBOLS = layout({STAMP_AT_SYMBOL: "at = 0x1000_0FF0"})
BYTES = build("sampler", sampler_elf()).stored[0].data


def _sampler(read: ReadLayout, data: bytes) -> PlacedBuild:
    return joined(read, builds(sampler=data)).placed["sampler"]


def _held(read: ReadLayout, data: bytes) -> bytes:
    image = joined(read, builds(sampler=data)).image
    return image.read(Span(SAMPLER, len(BYTES)), None)


def test_in_place() -> None:
    """A build linked for its area lies there, runs there, and its vectors are at the area's start."""
    placed = joined().placed
    assert placed["station"] == PlacedBuild(
        "station", "station", Span(STATION, 0x130), STATION, STATION, bytes(range(20))
    )
    assert placed["sampler"].stored == Span(SAMPLER, 0x128)
    assert _held(layout(), sampler_elf()) == BYTES


@pytest.mark.parametrize(
    "sampler",
    [
        pytest.param(copied_sampler(), id="load address in flash"),
        pytest.param(sampler_elf(base=RUN), id="load address equal to the run address, as the core sees it"),
    ],
)
def test_a_copied_build(sampler: bytes) -> None:
    """A build that runs in RAM is stored in its area of flash and recorded with its address in RAM."""
    placed = _sampler(copied_layout(), sampler)
    assert (placed.stored, placed.run_start, placed.vector_address) == (Span(SAMPLER, 0x128), RUN, RUN)
    assert _held(copied_layout(), sampler) == build("sampler", sampler).stored[0].data


def test_a_copied_build_loaded_at_the_plain_address_of_ram() -> None:
    """A load address in RAM as the programmer sees it is brought to the same place in flash."""
    flat = SparseBytes()
    flat.write(SAMPLER_RUN, BYTES)
    handed = {**builds(), "sampler": hex_of("sampler", flat)}
    placed = joined(copied_layout(), handed).placed["sampler"]
    assert (placed.stored.start, placed.run_start) == (SAMPLER, RUN)


def test_a_copied_build_of_which_only_the_load_address_is_known() -> None:
    """A HEX file in flash tells no run address: the build is copied to the start of the area it runs in."""
    handed = {**builds(), "sampler": hex_build("sampler", copied_sampler())}
    placed = joined(copied_layout(), handed).placed["sampler"]
    assert (placed.stored.start, placed.run_start, placed.vector_address) == (SAMPLER, RUN, RUN)


def test_a_copied_build_with_its_vectors_behind_a_header() -> None:
    """The vector address is that of the layout's offset, in the address space the core runs in."""
    read = layout(
        {
            'stored_in = "sampler-code"': (
                'stored_in = "sampler-code"\nruns_in = "sampler-run"\nvector_offset = 512'
            )
        }
    )
    placed = _sampler(read, sampler_elf(base=SAMPLER + 0x200, run=RUN + 0x200))
    assert placed.stored.start == SAMPLER + 0x200
    assert (placed.run_start, placed.vector_address) == (RUN + 0x200, RUN + 0x200)


def test_aliases() -> None:
    """Builds linked for an alias of flash lie at the plain address, and run there too."""
    placed = joined(
        aliased_layout(), {name: build(name, data) for name, data in aliased_builds().items()}
    ).placed
    assert placed["station"].stored.start == STATION
    assert placed["sampler"].stored.start == SAMPLER


def test_a_view_of_the_cores_own() -> None:
    """A build linked for where its core sees flash lies at the plain address and runs where it is seen."""
    made = joined(viewed_layout(), {name: build(name, data) for name, data in viewed_builds().items()})
    sampler = made.placed["sampler"]
    assert (sampler.stored.start, sampler.run_start, sampler.vector_address) == (
        SAMPLER,
        0x0800_1000,
        0x0800_1000,
    )


def test_a_load_address_as_the_programmer_sees_it() -> None:
    """Where a core has a view of flash, its build may still be stored by plain load addresses."""
    placed = joined(
        viewed_layout(), {**builds(station_elf(boot_constant=0x0800_1000)), "sampler": plain()}
    ).placed
    assert placed["sampler"].stored.start == SAMPLER
    assert placed["sampler"].run_start == 0x0800_1000


def plain() -> Build:
    """A sampler that runs where its core sees flash, with plain load addresses."""
    return build("sampler", sampler_elf(run=0x0800_1000))


def test_two_builds_of_one_core() -> None:
    """A boot loader and an application of the primary each lie in their area, in the order of the layout."""
    handed = {**builds(), "application": build("application", application_elf())}
    made = joined(two_station_builds(), handed)
    assert list(made.placed) == ["station", "sampler", "application"]
    assert made.placed["application"].stored == Span(HIGH, 0x130)
    assert made.record is not None
    assert [entry.name for entry in made.record.builds] == ["station", "sampler", "application"]


def test_the_entry_is_that_of_the_build_the_primary_starts_with() -> None:
    """Of the primary's builds the lower one is entered, or the one where the core fetches its vectors."""
    handed = {**builds(), "application": build("application", application_elf())}
    assert joined(two_station_builds(), handed).entry == handed["station"].entry
    read = two_station_builds()
    text = read.text.replace('role = "primary"', f'role = "primary"\nreset_vectors = {HIGH:#x}')
    assert joined(read_layout(text.encode(), "two.toml"), handed).entry == handed["application"].entry
    flat = {"station": hex_build("station", station_elf()), "sampler": handed["sampler"]}
    assert joined(NO_SYMBOLS, flat).entry is None


def test_no_build_of_the_primary() -> None:
    """Where the primary has no build of its own in the layout there is no entry point to tell."""
    station = '[build.station]\ncore = "station"\nstored_in = "station-code"\n'
    boot = 'boot_symbol = { build = "station", symbol = "sampler_start_address" }\n'
    stamp_value = {'value = { size_of = "station" }': "value = 1", STAMP_AT_SYMBOL: "at = 0x1000_0FF0"}
    made = joined(layout({station: "", boot: "", **stamp_value}), {"sampler": builds()["sampler"]})
    assert made.entry is None
    assert list(made.placed) == ["sampler"]


SECOND = (
    'notes = { memory = "flash", offset = "12 KiB", size = "1 KiB", purpose = "data" }\n'
    'more = { memory = "flash", offset = "13 KiB", size = "1 KiB", purpose = "data" }\n'
)
ALSO = layout(
    {
        "station-ram = {": SECOND + "station-ram = {",
        'stored_in = "station-code"': 'stored_in = "station-code"\nalso_stored_in = ["notes", "more"]',
    }
)


def test_also_stored_in() -> None:
    """Constants in further areas are stored there, filled to write units, and the digests cover them."""
    constants = (
        SegmentSpec(FLASH + 0x3001, b"tide", flags="r"),
        SegmentSpec(FLASH + 0x3400, b"level", flags="r"),
    )
    apart = SegmentSpec(FLASH + 0x3021, b"\1", flags="r")
    made = joined(ALSO, builds(station_elf(extra=(*constants, apart))))
    assert made.placed["station"].stored == Span(STATION, 0x130)
    assert made.image.read(Span(FLASH + 0x3000, 8), None) == b"\xfftide\xff\xff\xff"
    assert made.image.held_in(Span(FLASH + 0x3000, 0x800)) == [
        Span(FLASH + 0x3000, 0x28),
        Span(FLASH + 0x3400, 8),
    ]


def test_also_stored_in_seen_by_a_core_with_another_memory_there() -> None:
    """A plain load address in a further area counts as such though the core sees other memory at it."""
    read = layout(
        {
            "station-ram = {": SECOND + "station-ram = {",
            'stored_in = "sampler-code"': 'stored_in = "sampler-code"\nalso_stored_in = ["notes"]',
            "views = { sampler = 0x3000_0000 }": "views = { sampler = 0x1000_0000 }",
            "write_unit = 8\n": "write_unit = 8\nviews = { sampler = 0x0800_0000 }\n",
        }
    )
    constants = SegmentSpec(FLASH + 0x3000, b"tide", flags="r")
    sampler = sampler_elf(base=0x0800_1000, extra=(constants,), ram=None)
    made = joined(read, builds(sampler=sampler))
    assert made.image.read(Span(FLASH + 0x3000, 4), None) == b"tide"
    assert made.placed["sampler"].run_start == 0x0800_1000


@pytest.mark.parametrize(("unit", "erased"), [(1, 0xFF), (8, 0x00), (32, 0xA5), (256, 0xFF)])
def test_ends_are_whole_write_units_of_erased_bytes(unit: int, erased: int) -> None:
    """The stored span reaches to whole write units, what pads it is the erased byte, and it is held."""
    read = layout({"write_unit = 8": f"write_unit = {unit}\nerased_byte = {erased}"})
    odd = sampler_elf(code=CODE + b"\1\2\3")
    made = joined(read, builds(sampler=odd))
    stored = made.placed["sampler"].stored
    size = len(build("sampler", odd).stored[0].data)
    assert stored == Span(SAMPLER, -(-size // unit) * unit)
    assert made.image.read(stored, None)[size:] == bytes((erased,)) * (stored.size - size)


def test_gaps_inside_a_build_are_filled() -> None:
    """Between the first and the last byte of a build nothing stays unprogrammed."""
    handed = builds(sampler=sampler_elf(extra=(SegmentSpec(SAMPLER + 0x421, b"\1\2", flags="r"),)))
    made = joined(layout(), handed)
    assert made.placed["sampler"].stored == Span(SAMPLER, 0x428)
    data = made.image.read(Span(SAMPLER, 0x428), None)
    assert data[len(BYTES) :] == b"\xff" * (0x421 - len(BYTES)) + b"\1\2" + b"\xff" * 5


def test_a_build_that_starts_inside_a_write_unit() -> None:
    """A build that begins behind its area's start grows down to a whole unit; its vectors stay in place."""
    read = layout({'stored_in = "sampler-code"': 'stored_in = "sampler-code"\nvector_offset = 0x20'})
    made = joined(
        read,
        builds(
            sampler=sampler_elf(extra=(SegmentSpec(SAMPLER + 0x1B, b"\1", flags="r"),), base=SAMPLER + 0x20)
        ),
    )
    placed = made.placed["sampler"]
    assert placed.stored.start == SAMPLER + 0x18
    assert (placed.run_start, placed.vector_address) == (SAMPLER + 0x18, SAMPLER + 0x20)


def hex_of(name: str, image: SparseBytes) -> Build:
    """A build of these bytes as an Intel HEX file."""
    return build(name, b"".join(encode_hex(image)), f"{name}.hex")


def test_builds_as_hex_s_record_and_binary() -> None:
    """Bytes without an ELF file around them are joined to the same image, less what only ELF files tell."""
    image = SparseBytes()
    for segment in build("sampler", sampler_elf()).stored:
        image.write(segment.load_address, segment.data)
    s_record = b"".join(encode_s_record(image))
    binary = read_build(
        BytesSource(BYTES, "sampler.bin"), name="sampler", file="sampler.bin", raw_start=SAMPLER
    )
    forms = {
        "hex": hex_of("sampler", image),
        "srec": build("sampler", s_record, "sampler.srec"),
        "bin": binary,
    }
    held = Span(SAMPLER, 0x1000)
    expected = joined(NO_SYMBOLS).image
    for kind, sampler in forms.items():
        assert sampler.kind == kind
        made = joined(NO_SYMBOLS, {**builds(), "sampler": sampler})
        assert made.image.read(held, 0xFF) == expected.read(held, 0xFF), kind
        assert made.placed["sampler"].build_id is None
        assert made.record is not None
        assert made.record.builds[1].build_id == b""


def test_several_segments_that_run_apart_cannot_be_copied_as_one() -> None:
    """A copied build whose segments would run at other distances than they are stored is refused."""
    apart = sampler_elf(run=RUN, extra=(SegmentSpec(SAMPLER + 0x400, b"abcd", run_address=RUN + 0x500),))
    (problem,) = refused(lambda: joined(copied_layout(), builds(sampler=apart)))
    assert problem.what == "build sampler is copied as one block, but its segments do not run as one block"
    assert (problem.found, problem.expected) == (
        "stored at 0x1000_1400, runs at 0x3000_3900",
        "runs at 0x3000_3800, as segment 0 does",
    )


def test_several_segments_linked_for_ram_are_stored_as_they_run() -> None:
    """Two segments whose load addresses are their run addresses keep their distance in flash."""
    two = sampler_elf(base=RUN, extra=(SegmentSpec(RUN + 0x400, b"abcd"),))
    made = joined(copied_layout(), builds(sampler=two))
    assert made.image.read(Span(SAMPLER + 0x400, 4), None) == b"abcd"


@pytest.mark.parametrize(
    ("segment", "what", "found", "hint"),
    [
        (
            SegmentSpec(STATION_RAM + 0x500, b"abc"),
            "build station has bytes to store at a load address in memory ram",
            "0x2000_0500..0x2000_0502",
            "runs_in",
        ),
        (
            SegmentSpec(0x5000_0000, b"abc"),
            "build station has bytes to store at a load address in memory control of kind device",
            "0x5000_0000..0x5000_0002",
            "AT>",
        ),
        (
            SegmentSpec(0x7000_0000, b"abc"),
            "build station has bytes to store where the layout has no memory",
            "0x7000_0000..0x7000_0002",
            "linker script",
        ),
        (
            SegmentSpec(0x0FFF_FFCC, b"\x7fELF" + bytes(48)),
            "build station has bytes to store where the layout has no memory",
            "0x0FFF_FFCC..0x0FFF_FFFF",
            "link with -n (--nmagic)",
        ),
    ],
)
def test_load_addresses_that_are_no_flash(segment: SegmentSpec, what: str, found: str, hint: str) -> None:
    """Bytes to be stored outside flash are one problem each, with segment, span and what to mend."""
    (problem,) = refused(lambda: joined(None, builds(station_elf(extra=(segment,)))))
    assert (problem.what, problem.found) == (what, found)
    assert problem.where == "build station (station.elf, segment 2)"
    assert problem.expected == "inside area station-code, 0x1000_0000..0x1000_0FFF"
    assert hint in problem.next_step


def test_a_build_that_is_linked_for_ram_is_one_problem() -> None:
    """Its data follows its code there: one key explains both, and what is stored in RAM of another core does not."""
    data, other = SegmentSpec(RUN + 0x400, b"abcd"), SegmentSpec(STATION_RAM + 0x500, b"abc")
    for extra, count in (((data,), 1), ((data, other), 2)):
        problems = refused(
            lambda extra=extra: joined(None, builds(sampler=sampler_elf(base=RUN, extra=extra)))
        )
        in_ram = [each for each in problems if "at a load address" in each.what]
        assert len(in_ram) == count, problems
        (first,) = [each for each in in_ram if "add runs_in" in each.next_step]
        assert first.where == "build sampler (sampler.elf)"
        assert len(first.found.split(", ")) == 2


def test_over_the_end_of_a_memory() -> None:
    """Bytes that run over the end of flash are told with where it ends."""
    over = SegmentSpec(FLASH + 0x3FFE, b"abcd")
    problems = refused(lambda: joined(None, builds(station_elf(extra=(over,)))))
    assert whats(problems) == [
        "build station runs over the end of memory flash",
        "build station is in no area",
    ]
    assert problems[0].expected == "an end of at most 0x1000_3FFF"


def test_swapped_files() -> None:
    """Files in each other's areas are one problem."""
    (problem,) = refused(lambda: joined(None, builds(sampler_elf(), station_elf())))
    assert problem.what == "the files of builds sampler and station are swapped"
    assert problem.found.count("..") == 2
    given = builds(sampler_elf(), station_elf())
    right = f"sampler={given['station'].file} station={given['sampler'].file}"
    assert problem.next_step == f"give each build its own file: {right}"


def test_one_file_for_two_builds() -> None:
    """The same file given for both builds is no swap, and the problem says which build lacks its own."""
    (problem,) = refused(lambda: joined(None, builds(sampler=station_elf())))
    assert problem.what == "build sampler has no byte in its own area"
    assert problem.next_step.startswith("builds sampler and station have the same file")


def test_a_build_linked_for_the_place_of_another_one() -> None:
    """A second build at the place of the first, which is there too, is to be linked again, not swapped."""
    (problem,) = refused(lambda: joined(None, builds(sampler=sampler_elf(base=STATION))))
    assert "link build sampler for 0x1000_1000" in problem.next_step
    assert "swapped" not in problem.next_step


def test_a_build_linked_for_another_origin() -> None:
    """A build of which no byte lies in its area names where its bytes are and which file has to change."""
    (problem,) = refused(lambda: joined(None, builds(sampler=sampler_elf(base=FLASH + 0x3000))))
    assert problem.what == "build sampler has no byte in its own area"
    assert problem.found == "0x1000_3000..0x1000_3123"
    assert "linker script and the layout name different origins" in problem.next_step
