"""What is read off a build: its vector table, its core, what it shares, where it runs."""

from __future__ import annotations

import struct

import pytest
from draft.cases import as_hex, checked, layout_of, text_of
from elf_writer import SegmentSpec, SymbolSpec, elf
from gauge_builds import ARRANGEMENTS, gauge, gauge_builds
from small_device import (
    LINK,
    SAMPLER,
    STATION,
    STATION_RAM,
    build,
    builds,
    sampler_elf,
    station_elf,
)
from vector_fixtures import copied_sampler
from verdict_builds import build_of

from gemel.builds.elf.attributes import BuildAttributes
from gemel.draft.cores import guess_core, guess_primary
from gemel.draft.drafting import with_run_addresses
from gemel.draft.evidence import Evidence
from gemel.draft.pieces import NEAR, PurposeSpan, combined, groups_of, power_of_two
from gemel.draft.shared import find_shared
from gemel.draft.vectors import find_vectors
from gemel.m_profile.architectures import EXTENSIONS_OF
from gemel.spans import Span
from gemel.structs import replace


@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
@pytest.mark.parametrize("name", ["station", "sampler"])
@pytest.mark.parametrize("symbols", [True, False])
def test_vector_tables_of_real_builds(arrangement: str, name: str, symbols: bool) -> None:
    """Place and length of a real table are found, by its symbol's size or by its words alone."""
    made = gauge_builds(arrangement)[name]
    core = gauge(arrangement).layout.cores[name]
    found = find_vectors(made if symbols else replace(made, symbols=None))
    assert found is not None
    assert found.run_address == made.segments[0].run_address
    assert found.load_address == made.segments[0].load_address
    assert found.interrupts == core.interrupts
    assert found.reset | 1 == (made.entry or 0) | 1
    assert found.sized is symbols


@pytest.mark.parametrize("interrupts", [0, 1, 16, 240])
def test_a_table_ends_where_its_handlers_end(interrupts: int) -> None:
    """Without a symbol the table reaches to the next symbol, or to the last word that is a handler."""
    named = build("a", station_elf(interrupts=interrupts))
    bare = build("a", station_elf(interrupts=interrupts, code=b"\xfe\xff\xff\xe7" * 32))
    for made in (named, replace(bare, symbols=None)):
        found = find_vectors(made)
        assert found is not None
        assert found.interrupts == interrupts


def test_a_table_behind_other_bytes_is_found_by_the_entry_point() -> None:
    """Of two tables the one whose reset handler is the entry point counts; without one the first."""
    loader = struct.pack("<16I", STATION_RAM + 0x100, STATION + 0x41, *[STATION + 0x41] * 14) + b"\1" * 64
    behind = STATION + 0x80
    table = struct.pack("<16I", STATION_RAM + 0x200, behind + 0x41, *[behind + 0x41] * 14) + b"\1" * 64
    data = elf([SegmentSpec(STATION, loader + table)], entry=behind + 0x41)
    assert find_vectors(build("a", data)).run_address == behind  # type: ignore[union-attr]
    without = replace(build("a", data), entry=None)
    assert find_vectors(without).run_address == STATION  # type: ignore[union-attr]


@pytest.mark.parametrize(
    "words",
    [
        (0, STATION + 0x41),  # no stack
        (STATION_RAM + 2, STATION + 0x41),  # a stack at no word
        (STATION_RAM + 0x100, STATION + 0x40),  # no Thumb bit
        (STATION_RAM + 0x100, STATION + 0x1_0001),  # outside the code
        (STATION, STATION + 0x41),  # a stack in flash
    ],
)
def test_what_is_no_vector_table(words: tuple[int, int]) -> None:
    """Two words that no core could start from are no table, and the core has no interrupts told."""
    data = struct.pack("<2I", *words) + b"\1" * 120
    made = build("a", elf([SegmentSpec(STATION, data)], entry=STATION | 1))
    assert find_vectors(made) is None
    assert guess_core(Evidence(made)).interrupts == 0


@pytest.mark.parametrize(
    ("values", "architecture", "extensions"),
    [
        ({6: 11, 7: 0x4D}, "armv6-m", ()),
        ({6: 12, 7: 0x4D}, "armv6-m", ()),
        ({6: 10, 7: 0x4D}, "armv7-m", ()),
        ({6: 13, 7: 0x4D}, "armv7e-m", ("dsp",)),
        ({6: 13, 7: 0x4D, 10: 6, 27: 1}, "armv7e-m", ("fp", "dsp")),
        ({6: 13, 7: 0x4D, 28: 1}, "armv7e-m", ("fp", "dsp")),
        ({6: 21, 7: 0x4D, 28: 1, 48: 1}, "armv8.1-m.main", ("mve",)),
        ({6: 13, 7: 0x4D, 10: 8}, "armv7e-m", ("fp", "fp-double", "dsp")),
        ({6: 16, 7: 0x4D}, "armv8-m.base", ()),
        ({6: 17, 7: 0x4D, 10: 8, 27: 1, 46: 1}, "armv8-m.main", ("fp", "dsp")),
        ({6: 21, 7: 0x4D, 10: 8, 27: 1, 46: 1, 48: 2}, "armv8.1-m.main", ("fp", "dsp", "mve", "mve-fp")),
        ({6: 21, 7: 0x4D, 48: 1}, "armv8.1-m.main", ("mve",)),
        ({6: 10, 7: 0x41, 10: 3}, "armv7-m", ()),
    ],
)
def test_cores_by_build_attributes(values, architecture: str, extensions: tuple[str, ...]) -> None:
    """Architecture and extensions follow the attributes (values: ADDENDA32 2025Q4)."""
    made = replace(build("a", station_elf()), attributes=BuildAttributes(values))
    guessed = guess_core(Evidence(made))
    assert (guessed.architecture, guessed.extensions) == (architecture, extensions)
    assert set(extensions) <= set(EXTENSIONS_OF[architecture])


@pytest.mark.parametrize(
    ("zeros", "architecture"), [((), "armv8-m.main"), ((7,), "armv7-m"), ((4, 5, 6, 7, 12), "armv6-m")]
)
def test_cores_without_build_attributes(zeros: tuple[int, ...], architecture: str) -> None:
    """Without attributes the faults in the vector table tell the least architecture that has them all."""
    made = build("a", station_elf(words=dict.fromkeys(zeros, 0)))
    assert made.attributes is None
    assert guess_core(Evidence(made)).architecture == architecture


@pytest.mark.parametrize(
    ("other", "architecture"), [((), "armv6-m"), ((4,), "armv7-m"), ((7,), "armv8-m.main")]
)
def test_a_word_that_fills_the_whole_table_is_no_handler_of_a_fault(
    other: tuple[int, ...], architecture: str
) -> None:
    """What is in reserved words too says nothing of the architecture; another handler does."""
    every, own = STATION + 0x89, STATION + 0x81
    words = dict.fromkeys(range(4, 14), every) | dict.fromkeys(other, own)
    assert guess_core(Evidence(build("a", station_elf(words=words)))).architecture == architecture


UDIV, VADD, MOVW, MLS, SMLAD, DCPS, LDREX = (
    "b0fbf1f0", "30ee200a", "40f20110", "01fb1201", "21fb0201", "8ff30180", "50e8001f",
)  # fmt: skip


@pytest.mark.parametrize(
    ("code", "core", "extensions"),
    [
        ("", "armv6-m", ()),
        (UDIV + MOVW, "armv8-m.base", ()),
        (LDREX + MLS, "armv7-m", ()),
        (UDIV + SMLAD, "armv7e-m", ("dsp",)),
        (SMLAD + VADD, "armv7e-m", ("fp", "dsp")),
    ],
)
def test_cores_by_the_code_of_a_build_without_attributes(
    code: str, core: str, extensions: tuple[str, ...]
) -> None:
    """The least core that has all that the vectors of a HEX file lead to, so that the draft finds no fault in it."""
    words = dict.fromkeys((4, 5, 6, 7, 12), 0)
    body = bytes.fromhex(
        f"06e0 c046c046c046 fee7 c046c046c046 {code} fee7"
    )  # B over the other handler, which waits
    station = station_elf(words=words, code=body)
    guessed = guess_core(Evidence(build("a", station)))
    assert (guessed.architecture, guessed.extensions) == (core, extensions)


def _seen(**files: bytes) -> list[Evidence]:
    return [Evidence(build(name, data)) for name, data in files.items()]


def test_the_primary_holds_the_secondarys_address() -> None:
    """The build that holds the other's vector address is the primary, whichever is named first."""
    for order in (("station", "sampler"), ("sampler", "station")):
        made = {"station": station_elf(), "sampler": sampler_elf()}
        primary = guess_primary(_seen(**{name: made[name] for name in order}))
        assert primary.name == "station"
        assert [it.symbol for it in primary.constants] == ["sampler_start_address"]
        assert primary.reason == "its symbol sampler_start_address holds sampler's vector address"


def test_the_first_is_the_primary_where_nothing_tells() -> None:
    """Where no build, or each of two, holds the other's address, the first named is the primary."""
    lost = _seen(sampler=sampler_elf(), station=station_elf(boot_constant=0x1234))
    assert guess_primary(lost).name == "sampler"
    words = [struct.pack("<2I", address, 1) for address in (STATION, SAMPLER)]
    both = _seen(sampler=sampler_elf(code=words[0]), station=station_elf(boot_constant=0x1234, code=words[1]))
    assert guess_primary(both).name == "sampler"
    assert "named first" in guess_primary(both).reason


def test_an_initial_stack_pointer_is_no_vector_address() -> None:
    """RAM of the secondary, where it runs, may begin where the primary's stack does: that shows no primary."""
    runs_at = 0x3000_3400
    for boot_constant, shown in ((0x1234, []), (runs_at, ["sampler_start_address"])):
        station = station_elf(boot_constant=boot_constant, words={0: runs_at})
        seen = _seen(station=station, sampler=copied_sampler())
        assert [it.symbol for it in guess_primary(seen).constants] == shown


@pytest.mark.parametrize("order", [("sampler", "station"), ("station", "sampler")])
@pytest.mark.parametrize("count", [1, 40])
def test_a_named_constant_outweighs_chance_words(order: tuple[str, str], count: int) -> None:
    """Words of the sampler's code that equal the station's vector address do not make it the primary."""
    made = {
        "sampler": sampler_elf(code=struct.pack("<I", STATION) * count),
        "station": station_elf(code=struct.pack("<I", SAMPLER) * count),
    }
    primary = guess_primary(_seen(**{name: made[name] for name in order}))
    assert primary.name == "station"
    assert primary.constants[0].symbol == "sampler_start_address"


def test_what_builds_share() -> None:
    """A symbol of one name at one address is shared, with the segment around it; elsewhere it is not."""
    frames = SegmentSpec(LINK, b"", memory_size=0x80, flags="rw")
    one = station_elf(extra=(frames,))
    other = elf(
        [SegmentSpec(SAMPLER, b"\1" * 64), frames],
        symbols=[
            SymbolSpec("link_frames", LINK, 64, "object"),
            SymbolSpec("other", LINK + 0x40, 8, "object"),
        ],
    )
    (shared,) = find_shared(_seen(station=one, sampler=other))
    assert (shared.span, shared.symbols) == (Span(LINK, 0x80), ("link_frames",))
    assert shared.builds == ("station", "sampler")
    assert find_shared(_seen(station=station_elf(), sampler=sampler_elf())) == []


def test_one_segment_of_own_and_shared_sections() -> None:
    """Sections apart from each other in one segment are claimed, and found to be shared, each for itself."""

    def small(own: int, size: int) -> bytes:
        sections = ((".bss", own, size), (".link", LINK, 0x80))
        data = SegmentSpec(own, memory_size=LINK + 0x80 - own, flags="rw", sections=sections)
        return elf([SegmentSpec(SAMPLER, b"\1" * 64), data])

    one, other = _seen(a=small(LINK - 0x800, 0x300), b=small(LINK - 0x400, 0x200))
    assert one.ram == [Span(LINK - 0x800, 0x300), Span(LINK, 0x80)]
    assert other.ram == [Span(LINK - 0x400, 0x200), Span(LINK, 0x80)]
    (shared,) = find_shared([one, other])
    assert (shared.span, shared.builds) == (Span(LINK, 0x80), ("a", "b"))


def test_a_name_at_several_addresses_is_in_no_contract() -> None:
    """Two builds agree and a third has the name elsewhere: the RAM is shared, the name is not demanded."""

    def small(address: int) -> bytes:
        symbols = [SymbolSpec("link_frames", address, 64, "object")]
        return elf([SegmentSpec(SAMPLER, b"\1" * 64)], symbols=symbols)

    (shared,) = find_shared(_seen(a=small(LINK), b=small(LINK), c=small(LINK + 0x100)))
    assert (shared.span, shared.symbols) == (Span(LINK, 64), ())


ODD_NAMES = ("tab\there", "x" * 513, 'quote"s', "back\\slash", "ring::frame<4>", "größe")


@pytest.mark.parametrize("name", ODD_NAMES)
def test_names_that_a_layout_cannot_hold_are_left_out(name: str) -> None:
    """Whatever a symbol is called, the draft is a layout; the contract names it where it can."""
    symbols = [SymbolSpec(name, LINK, 64, "object")]
    data = elf([SegmentSpec(SAMPLER, b"\1" * 64)], symbols=symbols)
    made = {"a": build("a", data), "b": build("b", data)}
    (contract,) = layout_of(made).contracts.values()
    assert contract.symbols == ((name,) if name.isprintable() and len(name) <= 512 else ())


def test_where_a_flat_file_runs() -> None:
    """A HEX file whose handlers lie in RAM gets run addresses; all others keep theirs."""
    copied = gauge_builds("copied")["sampler"]
    guessed = with_run_addresses(as_hex(copied))
    assert [it.run_address for it in guessed.segments][:1] == [copied.segments[0].run_address]
    for made in (as_hex(gauge_builds()["sampler"]), copied, builds()["station"]):
        assert with_run_addresses(made) is made


def test_pieces_come_together() -> None:
    """Near pieces of one owner are joined unless another's lies between, or they are blocks of their own."""
    starts = (0, 0x100, 0x100 + 16 + NEAR, 0x10_0000 + 2 * NEAR)
    own = [PurposeSpan(Span(start, 16), "own", "a") for start in starts]
    first, second = combined(own)
    assert first.span == Span.from_bounds(0, 0x100 + 32 + NEAR)
    assert second.span == own[-1].span
    between = PurposeSpan(Span(0x80, 16), "own", "b")
    assert combined([own[0], between, own[1]]) == [own[0], between, own[1]]
    blocks = [PurposeSpan(Span(start, 16), "runs", "a") for start in (0, 0x100)]
    assert combined(blocks) == blocks


def test_groups_are_apart() -> None:
    """Pieces of another kind, or far away, begin a group; it ends where the next one starts, rounded down."""
    pieces = [
        PurposeSpan(Span(0x1000_0000, 0x100), "stored", "a"),
        PurposeSpan(Span(0x1000_8000, 0x100), "own", "a"),
        PurposeSpan(Span(0x2000_0400, 0x100), "own", "a"),
    ]
    groups = groups_of(pieces, 0x1_0000)
    assert [(group.kind, group.limit) for group in groups] == [
        ("flash", 0x1000_8000),
        ("ram", 0x2000_0000),
        ("ram", 1 << 32),
    ]


@pytest.mark.parametrize(("size", "result"), [(0, 1024), (1024, 1024), (1025, 2048), (5 << 20, 8 << 20)])
def test_powers_of_two(size: int, result: int) -> None:
    """A size is rounded up to a power of two, and to no less than the least."""
    assert power_of_two(size, 1024) == result


def test_ram_of_two_cores_at_one_address() -> None:
    """Both builds have RAM there: the draft asks whose it is, and says how memories of their own are written."""
    ram = SegmentSpec(STATION_RAM + 8, memory_size=0x600, flags="rw")
    text = text_of(builds(sampler=sampler_elf(ram=ram)))
    asked = " ".join(line.lstrip("# ") for line in text.splitlines())
    assert "ask: station claims 0x2000_0008..0x2000_03FF too; whose is it?" in asked
    assert "with views = { sampler = 0x2000_0000 }" in asked


LAUNCHED = (
    ("station-launch", "station-app"),
    ("station-launch", "app-back"),
    ("station-launch-header", "app-header"),
    ("station-launch-two", "station-app", "spare-app"),
)


@pytest.mark.parametrize("family", ["v6", "v7", "v8"])
@pytest.mark.parametrize("files", LAUNCHED)
def test_a_loader_and_all_that_it_starts_are_one_core(files: tuple[str, ...], family: str) -> None:
    """One that an application goes back to, that finds the table behind a header, or has two applications."""
    names = ("loader", "app", "spare")[: len(files)]
    made = {name: build_of(name, f"{file}-{family}") for name, file in zip(names, files, strict=True)}
    made["sampler"] = build_of("sampler", f"sampler-{family}")
    layout = layout_of(made)
    assert {name: plan.core for name, plan in layout.builds.items()} == {
        **dict.fromkeys(names, "app"),
        "sampler": "sampler",
    }
    assert layout.cores["app"].role == "primary"
    assert "whose is it?" not in text_of(made)
    assert checked(made).passes
