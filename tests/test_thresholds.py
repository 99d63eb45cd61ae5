"""Thresholds from which on something counts, or up to which it is shown: each at both its sides."""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from unittest.mock import MagicMock

import pytest
from audited import result
from dwarf_writer import basic, debug_elf, member, record, types_of
from elf_writer import SegmentSpec
from reading_builds import read, read_elf
from small_device import STATION, apply, findings, joined, layout, station_elf
from start_runs import ran

from gemel import errors
from gemel.audit import as_text, terms
from gemel.audit.result import AuditedSigner
from gemel.builds.elf import converted
from gemel.builds.elf.header import HEADER_SIZE, header_in
from gemel.builds.source import BytesSource
from gemel.checking.contract import picture, rows, types
from gemel.checking.contract.comparison import TypeComparison
from gemel.checking.findings import start_reach
from gemel.checking.rules import handlers_in_code, image_equals_builds, image_inside_areas
from gemel.comparing import side as place_names
from gemel.draft import security
from gemel.errors import GemelError, UsageProblem
from gemel.image import gathering
from gemel.image.sparse import SparseBytes
from gemel.inspection import byte_orders, wording
from gemel.inspection.altered import build_order, text_conversions
from gemel.inspection.code import guarded_code
from gemel.inspection.contract import shared_objects
from gemel.layout import reader
from gemel.lookup import annotating
from gemel.lookup import as_text as looked_up
from gemel.m_profile import vector_tables
from gemel.m_profile.code import address_flow
from gemel.m_profile.code.address_flow import AddressFlow
from gemel.m_profile.execution import plain_loops, start_run, start_ways
from gemel.m_profile.execution.values import ZERO
from gemel.readback import versions
from gemel.record.format import MARK
from gemel.rehearsal.emulator import schedule
from gemel.rehearsal.emulator.core import code_stops, native, protected_access
from gemel.rehearsal.verdict import loop_words
from gemel.seals.keys import schemes
from gemel.show.as_text import picture as map_of_memory
from gemel.show.as_text import tables as table
from gemel.show.facts import memory_uses
from gemel.spans import Span
from gemel.structs import replace
from gemel.text import wrapping
from gemel.text.styled import ASCII, Styled
from gemel.workflows.inputs import symbol_files


def _refused(what: Callable[[], object]) -> bool:
    try:
        what()
    except GemelError:
        return True
    return False


def _digits_of_keys(count: int) -> bool:
    """Whether a line of an audit shows so many digits of a signer's key."""
    key = "0123456789abcdef" * 4
    signers = (AuditedSigner("Ed25519", key, True),)
    return key[:count] in as_text.text_line(replace(result("a.hex"), signers=signers))


def _lost_before_sections(count: int) -> bool:
    """Whether a file whose section headers are so many bytes too early is seen to be converted."""
    data = station_elf().replace(b"\r\n", b"\r\r")
    header = header_in(data[:HEADER_SIZE])
    later = header._replace(section_headers_at=header.section_headers_at + count)
    return converted.text_conversion(BytesSource(data), later, "station.elf") is not None


def _levels(depth: int) -> bool:
    """Whether the members of a record are shown that is so deep in others."""

    def side(size: int) -> tuple[object, object]:
        of = basic("unsigned", size)
        entries = [of, record("r0", 4, member("innermost", of))]
        for number in range(1, depth):
            entries.append(record(f"r{number}", 4, member("inside", entries[-1])))
        found = types_of(debug_elf(*entries))
        return found, found.named(f"struct r{depth - 1}")[0]

    (left, one), (right, other) = side(4), side(2)
    made = rows.rows_of(TypeComparison(left, right, False), one, other, "r")
    return any("innermost" in row.label for row in made)


def _sources(count: int) -> bool:
    """Whether the last of so many definitions of a type is compared with the first."""
    of = basic()
    alike = [record("r", 4, member("m", of)) for _ in range(count - 1)]
    found = types_of(debug_elf(of, *alike, record("r", 8, member("m", of))))
    references = tuple(found.named("struct r"))
    assert len(references) == count
    plan = SimpleNamespace(name="station", core="station")
    station = SimpleNamespace(file="station.elf", attributes=None)
    defined = SimpleNamespace(build=station, types=found, references=references, plan=plan)
    return bool(list(types.unlike_in_one_build(defined, "struct r", "contract link", False)))


def _gateways(count: int) -> bool:
    return f"g{count - 1}" in security._Called("secure", [f"g{n}" for n in range(count)], 0).words


def _quoted(size: int) -> bool:
    return "x" * size in gathering.shown(b"x" * size)


def _findings(count: int) -> bool:
    """Whether so many findings of one kind are all shown."""
    (*_, last) = wording.lines_in_short([str(number) for number in range(count)], "lines")
    return last == str(count - 1)


def _slip(place: int) -> bool:
    """Whether a slip that ends so many characters from the line's start is explained."""
    line = "y" * (place - len(" = 0X1")) + " = 0X1"
    with pytest.raises(GemelError) as caught:
        reader.read_layout(f"format = 1\n{line}\n".encode(), "x.toml")
    return caught.value.problems[0].next_step == "write 0x with a small x"


def _ways(count: int) -> bool:
    """Whether it is looked at what so many ways clear."""
    way = SimpleNamespace(written=lambda: [(0x2000_0000, 64, ZERO)])
    return bool(start_run._cleared_by_each([way] * count))


def _symbols(count: int) -> bool:
    """Whether so many symbols of a build are looked at."""
    symbols = [
        SimpleNamespace(size=4, kind="object", address=4 * n, binding="", name="") for n in range(count)
    ]
    build = SimpleNamespace(symbols=SimpleNamespace(places=lambda: iter(symbols)))
    return len(memory_uses._largest(SimpleNamespace(builds={"station": build}), "station")) == count


def _compared(size: int) -> bool:
    """Whether two places without a symbol are told apart by their byte so far from the start."""

    def names(last: int) -> frozenset[str]:
        data = bytes([1, *[0xFF] * (size - 2), last])
        build = read_elf(SegmentSpec(STATION, data.ljust(64, b"\xff")), symbols=())
        return place_names.PlaceNames(build).at(STATION)

    return names(1) != names(2)


def _callers(count: int) -> bool:
    """Whether a test of the core counts that is so many callers away."""
    guarded = guarded_code.GuardedCode(MagicMock())
    guarded._variables = ()
    guarded._function_at = lambda address: Span(address & -16, 16)
    guarded._uses = lambda start: [(start + 16, None)]
    guards = SimpleNamespace(cover=lambda address: address == 16 * count, tests=(), calls={})
    guarded._guards_of = lambda *_: guards
    return guarded.covers(0)


def _halfwords(count: int) -> bool:
    """Whether so many halfwords of functions are gone through for tests of the core."""
    build = MagicMock()
    build.read_at_run = lambda _, size: b"\x00\xbf" * (size // 2)
    guarded = guarded_code.GuardedCode(build)
    return guarded._guards_of(Span(STATION, 2 * count)) is not None


def _calls(count: int) -> bool:
    """Whether an address is followed through so many calls inside each other, after which nothing is stored."""
    functions = {16 * n: struct.pack("<HHH", 0xF000, 0xF806, 0x4770) for n in range(1, count)}
    functions[0] = struct.pack("<HHHHHHI", 0x4802, 0xF000, 0xF805, 0x4770, 0xBF00, 0xBF00, 0x5000_0000)
    functions[16 * count] = struct.pack("<H", 0x4770)
    flow = AddressFlow(
        (Span(0x5000_0004, 4),), functions, lambda at: 0x5000_0000 if at == 12 else None, frozenset()
    )
    return not flow.may_store()


def _at_once(turns: int, copies: bool, patch: pytest.MonkeyPatch, folder: Path) -> bool:
    """Whether a loop of start-up code is gone through at once."""
    gone: list[bool] = []

    def tried(*given: object) -> bool:
        gone.append(plain_loops.goes_through_plain_loop(*given))
        return gone[-1]

    patch.setattr(start_ways, "goes_through_plain_loop", tried)
    what = "ldr r2, [r3], #4\n" if copies else ""
    ran(
        f"ldr r0, =0x20000000\nldr r1, ={0x2000_0000 + 4 * turns}\nldr r3, =0x08010000\nmovs r2, #0\n"
        f"1: {what}str r2, [r0], #4\ncmp r0, r1\nblo 1b\n",
        folder,
    )
    return any(gone)


def _mark(distance: int) -> bool:
    """Whether the record's mark is seen so many bytes after its place."""
    image = SparseBytes()
    image.write(0x2_0000 + distance, MARK)
    area = SimpleNamespace(record=SimpleNamespace(area="record"), span_of=lambda _: Span(0x2_0000, 0x1000))
    inspection = SimpleNamespace(
        layout=area, record=None, image=image, bytes_of=None, erased_byte_at=lambda _: 0xFF
    )
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(text_conversions, "line_ends", lambda _inspection, _place, moved: moved == distance)
        return bool(text_conversions._by_mark(inspection, b""))


UP_TO: dict[str, tuple[int, Callable[[int], bool]]] = {
    "audit.as_text.DIGITS": (as_text.DIGITS, _digits_of_keys),
    "builds.elf.converted.MAX_LOST": (converted.MAX_LOST, _lost_before_sections),
    "checking.contract.rows.MAX_LEVELS": (rows.MAX_LEVELS, _levels),
    "checking.contract.types.MAX_SOURCES": (types.MAX_SOURCES, _sources),
    "draft.security.MAX_SHOWN": (security.MAX_SHOWN, _gateways),
    "comparing.side.MAX_COMPARED": (place_names.MAX_COMPARED, _compared),
    "inspection.code.guarded_code.MAX_DEPTH": (guarded_code.MAX_DEPTH, _callers),
    "inspection.code.guarded_code.MAX_STEPS": (guarded_code.MAX_STEPS, _halfwords),
    "m_profile.code.address_flow.MAX_DEPTH": (address_flow.MAX_DEPTH, _calls),
    "image.gathering.MAX_SHOWN": (gathering.MAX_SHOWN, _quoted),
    "inspection.wording.MAX_SHOWN": (wording.MAX_SHOWN, _findings),
    "inspection.altered.text_conversions.MAX_MARK_DISTANCE": (
        text_conversions.MAX_MARK_DISTANCE - len(MARK),
        _mark,
    ),
    "layout.reader.MAX_COMPARED": (reader.MAX_COMPARED, _slip),
    "m_profile.execution.start_run.MAX_WAYS_COMPARED": (start_run.MAX_WAYS_COMPARED, _ways),
    "show.facts.memory_uses.MAX_SYMBOLS": (memory_uses.MAX_SYMBOLS, _symbols),
    "words of text.wrapping.first_of": (
        4,
        lambda count: "more" not in wrapping.first_of([str(number) for number in range(count)]),
    ),
}
"""What is looked at or shown up to a number, and no further."""


@pytest.mark.parametrize("name", UP_TO)
def test_up_to(name: str) -> None:
    """As many are taken as the limit says, and one more is not."""
    most, holds = UP_TO[name]
    assert holds(most)
    assert not holds(most + 1)


def _beside(columns: int) -> bool:
    """Whether both sides stand beside each other where their numbers leave so many columns."""
    both = picture.WIDTH - picture._MARGIN - 2 - columns
    size = both // 2 - picture._PLACE - both % 2
    row = rows.Row(0, "m", rows.Cell("0" * (picture._PLACE + both % 2), "1" * (size - 1)), None)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(picture, "_MARGIN", picture._MARGIN + both % 2)
        return isinstance(picture._table(("a", "b"), [row]), picture._Beside)


def _not_padding(size: int) -> bool:
    """Whether bytes that a copy lacks at an odd address are more than padding."""
    build = read(station_elf())
    return not start_reach._padding(build, Span(STATION + 0x0FF1, size))


def _short_table(faulty: int) -> bool:
    return handlers_in_code._is_short(SimpleNamespace(words=[0] * 20), list(range(faulty)))


def _points(count: int) -> bool:
    """Whether so many erased bytes point to a cause."""
    span = Span(0x1000, count)
    segment = SimpleNamespace(data=bytes(count))
    difference = SimpleNamespace(
        deviation=SimpleNamespace(span=span), piece=SimpleNamespace(address=0x1000, segment=segment)
    )
    inspection = SimpleNamespace(erased_byte_at=lambda _: 0xFF, bytes_of=lambda each: b"\xff" * each.size)
    lines = image_equals_builds._explanations(inspection, [difference], count)
    return any("erased" in line for line in lines)


def _padded(count: int) -> bool:
    """Whether so many zeros outside all areas are called padding."""
    image = joined().image
    end = max(
        layout().layout.span_of(name).end for name in ("station-code", "sampler-code", "record", "seal")
    )
    image.write(end, bytes(count))
    (found,) = findings(apply("image-inside-areas", image=image))
    return any("padding" in line for line in found.lines)


def _converted(size: int) -> bool:
    """Whether a part of a build of so many bytes shows by which conversion it went."""
    part = b"\n" * (size // 2) + b"\x81" * (size - size // 2)
    inspection = SimpleNamespace(patches=SimpleNamespace(known={}), bytes_of=lambda each: bytes(each.size))
    placement = SimpleNamespace(stored_without=lambda _: [(0x1000, part)])
    data = part.replace(b"\n", b"\r\n")
    return text_conversions._of_build(inspection, placement, data) is not None


def _filled(values: int) -> bool:
    """Whether bytes of so many different values that are swapped are recognised."""
    order = byte_orders.ORDERS[0]
    window = bytes(number % values for number in range(build_order.WINDOW))
    held = order.of(window[: build_order.SWAPPED])
    image = SimpleNamespace(read=lambda *_: held)
    inspection = SimpleNamespace(image=image, erased_byte_at=lambda _: 0xFF)
    found = build_order._how(inspection, 0x1000, window)
    return found is not None and found[0] == order.what


def _overlap(more: int) -> bool:
    """Whether an object that ends so many bytes after another overlaps it by more than was rounded up."""

    def shared(start: int, size: int) -> SimpleNamespace:
        return SimpleNamespace(of=SimpleNamespace(plain=Span(start, size)))

    return bool(list(shared_objects.overlaps_in_part([shared(0, 64)], [shared(32, 32 + more)])))


def _found_in_log(digits: int, before: str) -> bool:
    """Whether a number of so many digits in a line of a log is looked up."""
    names = SimpleNamespace(text_at=lambda *_: "station_main")
    lookup = SimpleNamespace(found_by=lambda _: lambda _: [(("station",), [(0, 0, 0, 0, names)])])
    line = next(annotating.annotated([before + "1" * digits], lookup, ("station",)))
    return "<station_main>" in line


def _decimal(digits: int) -> bool:
    facts = SimpleNamespace(query="1" * digits, address=0x1000, views=())
    return any("hexadecimal" in text for _, text in [*_first(looked_up._address_lines(facts))])


def _first(lines: Iterator[tuple[str, str]]) -> Iterator[tuple[str, str]]:
    """The lines before those that need a view."""
    try:
        yield from lines
    except ValueError:
        return


def _block(unit: int) -> bool:
    """Whether what a memory erases at once is a block as it is."""
    memory = SimpleNamespace(erase_block=unit, start=0, span=Span(0, 64 * unit))
    (first, *_) = versions._blocks(memory, [Span(0, 8 * unit)])
    return first.size == unit


def _recurs(times: int) -> bool:
    return loop_words.recurs(SimpleNamespace(numbers={"recovered": 1, "times": times}))


def _takes_often(times: int) -> bool:
    event = SimpleNamespace(core="station", kind="exception-taken", numbers={"times": times, "number": 15})
    core = SimpleNamespace(name="station", instructions=1)
    return bool(loop_words.takes_often(SimpleNamespace(events=[event]), core))


def _exponent(value: int) -> bool:
    """Whether an RSA key with this public exponent is taken."""
    from cryptography.hazmat.primitives.asymmetric import rsa

    key = MagicMock(spec=rsa.RSAPublicKey, key_size=3072)
    key.public_numbers.return_value = SimpleNamespace(e=value)
    return schemes.algorithm_of(key) is not None


def _letters(width: int) -> bool:
    """Whether a column that may be left out is shown where it would have so many letters."""
    columns = [table.Column(), table.Column(shortest=0)]
    cells = [Styled("x" * 20, ""), Styled("y" * 40, "")]
    (line,) = table.table(columns, [cells], 20 + table.NARROW_GAP + width, ASCII)
    return "y" in "".join(part.text for part in line)


FROM: dict[str, tuple[int, Callable[[int], bool]]] = {
    "audit.terms.MIN_DIGITS": (
        terms.MIN_DIGITS,
        lambda digits: not _refused(lambda: terms.term_in(f"digest={'a' * digits}")),
    ),
    "checking.contract.picture.MIN_COLUMNS": (picture.MIN_COLUMNS, _beside),
    "checking.findings.start_reach.ROUNDING": (start_reach.ROUNDING, _not_padding),
    "checking.rules.handlers_in_code._MIN_FAULTY": (handlers_in_code._MIN_FAULTY + 1, _short_table),
    "checking.rules.image_equals_builds.MIN_POINTING": (image_equals_builds.MIN_POINTING, _points),
    "checking.rules.image_inside_areas.PADDING": (image_inside_areas.PADDING + 1, _padded),
    "inspection.altered.build_order.FILLED": (build_order.FILLED + 1, _filled),
    "inspection.altered.text_conversions.CONVERTED": (text_conversions.CONVERTED, _converted),
    "inspection.altered.text_conversions.MIN_TELLING": (
        text_conversions.MIN_TELLING,
        lambda size: text_conversions._by_missing(b"ab" * (size // 2) + b"c" * (size % 2)) is not None,
    ),
    "inspection.altered.text_conversions.SIGNS": (
        text_conversions.SIGNS,
        lambda count: text_conversions._by_missing(b"x" * 600 + "é".encode() * count) is not None,
    ),
    "inspection.contract.shared_objects.PADDING": (shared_objects.PADDING, _overlap),
    "errors.MIN_BEGINNING": (
        errors.MIN_BEGINNING,
        lambda size: bool(errors.nearest_hint("beginning"[:size], ["beginning-of-another-word"])),
    ),
    "lookup.annotating.MIN_DIGITS": (annotating.MIN_DIGITS, lambda digits: _found_in_log(digits, "0x")),
    "lookup.annotating.MIN_AFTER_REGISTER": (
        annotating.MIN_AFTER_REGISTER,
        lambda digits: _found_in_log(digits, "PC "),
    ),
    "lookup.annotating.MIN_ALONE": (annotating.MIN_ALONE, lambda digits: _found_in_log(digits, "")),
    "lookup.as_text.MIN_ADDRESS_DIGITS": (looked_up.MIN_ADDRESS_DIGITS, _decimal),
    "readback.versions.MIN_BLOCK": (versions.MIN_BLOCK, _block),
    "rehearsal.verdict.loop_words.MIN_TIMES of a fault": (loop_words.MIN_TIMES, _recurs),
    "rehearsal.verdict.loop_words.MIN_TIMES of an exception": (loop_words.MIN_TIMES, _takes_often),
    "seals.keys.schemes.MIN_RSA_EXPONENT": (schemes.MIN_RSA_EXPONENT, _exponent),
    "show.as_text.tables.MIN_LETTERS": (table.MIN_LETTERS, _letters),
    "workflows.inputs.symbol_files.MIN_DIGITS": (
        symbol_files.MIN_DIGITS,
        lambda digits: "at least" not in _expected(lambda: symbol_files._file("a" * digits, ())),
    ),
}
"""What counts from a number on, and not below."""


def _expected(what: Callable[[], object]) -> str:
    with pytest.raises(UsageProblem) as caught:
        what()
    return caught.value.problems[0].expected


@pytest.mark.parametrize("name", FROM)
def test_from(name: str) -> None:
    """As many as the threshold says count, and one less does not."""
    least, holds = FROM[name]
    assert holds(least)
    assert not holds(least - 1)


def test_the_smallest_alignment_of_a_table() -> None:
    """A table of few words has the alignment that VTOR has at least (Armv7-M B3.2.5), one of more has more."""
    assert vector_tables.alignment_of(16) == vector_tables.MIN_ALIGNMENT == 128
    assert vector_tables.alignment_of(17) == 256


def test_the_shortest_label_of_a_picture() -> None:
    """A label is cut to MIN_LABEL columns and no further."""
    row = map_of_memory.PictureRow("x" * 20, Span(0x1000_0000, 64), (), 64)
    widths = {map_of_memory.columns_for([row], width).label for width in range(10, 60)}
    assert min(widths) == map_of_memory.MIN_LABEL


@pytest.mark.parametrize(("more", "flushes"), [(0, 0), (1, 1)])
def test_the_table_of_translations_is_emptied_after_many(more: int, flushes: int) -> None:
    """After more than MAX_FILLS the library empties its table, before none."""
    core = MagicMock(_fills=native.MAX_FILLS + more, failure=None, _stops_before=False)
    core._start.return_value = core.counter.value = core._limit.value = 0
    native.Native.run(core, 0x1000, 1)
    assert core.uc.ctl.call_count == flushes


@pytest.mark.parametrize(("more", "forgotten"), [(0, False), (1, True)])
def test_needless_calls_are_done_without(more: int, forgotten: bool) -> None:
    """After more than MAX_NEEDLESS for each mask, with nothing pending, masks are no longer watched."""
    core = MagicMock()
    core.interrupts.pending = core.blocks.sleeps = core.blocks.divisions = set()
    stops = code_stops.CodeStops(core, ())
    stops._hooks, stops._needless = [1, 2], 2 * code_stops.MAX_NEEDLESS + more
    stops.set_exits()
    assert (stops._hooks == []) is forgotten


@pytest.mark.parametrize(("at", "passes"), [(31, False), (32, False), (63, False), (64, True)])
def test_the_smallest_region_inside_an_access(at: int, passes: bool) -> None:
    """An access of 64 bytes sees each region of MIN_REGION bytes that it goes over."""
    closed = range(at // protected_access.MIN_REGION * 32, at // 32 * 32 + 32)
    permissions = lambda place: SimpleNamespace(allow=lambda *_: place not in closed)  # noqa: E731
    core = SimpleNamespace(system=SimpleNamespace(protection=SimpleNamespace(at=permissions)))
    access = SimpleNamespace(_guards=True, _core=core)
    assert protected_access.ProtectedAccess.allows(access, "read", 0, 64, False) is passes


def test_the_fewest_turns_that_are_gone_through_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Turns are counted from where a loop is first tried, so that the fewest grow with the threshold."""

    def fewest(threshold: int) -> int:
        monkeypatch.setattr(plain_loops, "_MIN_TURNS", threshold)
        return next(turns for turns in range(170, 195) if _at_once(turns, False, monkeypatch, tmp_path))

    assert fewest(9) == fewest(8) + 1


def test_the_most_turns_that_are_copied_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """So many turns of a copy are gone through at once and not one more; zeros have no such limit."""
    monkeypatch.setattr(plain_loops, "_MAX_COPIED", 64)
    at_once = [turns for turns in range(185, 210) if _at_once(turns, True, monkeypatch, tmp_path)]
    assert at_once == list(range(185, at_once[-1] + 1))
    assert at_once[-1] < 209
    assert _at_once(at_once[-1] + 1, False, monkeypatch, tmp_path)


def test_the_shortest_turn() -> None:
    """Once the cores talk, turns are as short as they get, and they are while they do not grow."""
    plan = SimpleNamespace(interleaving=0, other_moments=False, cores=(), shared=())
    turns = schedule.Schedule(plan, {}, {})
    assert turns._turn == schedule.MIN_TURN < schedule.MAX_TURN
    turns._turn = schedule.MAX_TURN
    turns.cores_talk()
    assert turns._turn == schedule.MIN_TURN
