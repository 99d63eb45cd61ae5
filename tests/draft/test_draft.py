"""Drafts as a whole: they join as they stand, say where each guess comes from, and hold for any builds."""

from __future__ import annotations

import re
import struct

import pytest
from draft.cases import SOUND, checked, layout_of, text_of
from draft.make_golden import GOLDEN, PATHS, STORED, golden
from gauge_builds import ARRANGEMENTS, gauge, gauge_builds
from hypothesis import given
from hypothesis import strategies as st
from seconds import within
from small_device import builds

from gemel.builds.build import Build
from gemel.builds.segment import Segment
from gemel.checking.rule_changes import severity_faults, waiver_faults
from gemel.checksums.in_layout import checksum_faults
from gemel.draft.drafting import MAX_BUILDS, MAX_RUNS, draft
from gemel.errors import UsageProblem
from gemel.layout.reader import read_layout
from gemel.structs import fields, replace

every_case = pytest.mark.parametrize("name", SOUND)


@every_case
def test_a_draft_joins_as_it_stands(name: str) -> None:
    """The reader takes the draft, the builds join by it, and no rule finds an error in the image."""
    result = checked(SOUND[name]())
    assert result.passes, [finding.what for _, finding in result.open_findings("error")]
    assert result.open_findings("warning") == []


@pytest.mark.parametrize("name", STORED)
def test_drafts_are_as_stored(name: str) -> None:
    """Word for word.  After a wanted change run ``tests/draft/make_golden.py`` and read it."""
    assert text_of(SOUND[name](), PATHS) == golden(name).read_text(encoding="utf-8")


def test_no_golden_draft_is_left_behind() -> None:
    """Every stored draft has its case."""
    assert sorted(GOLDEN.iterdir()) == sorted(golden(name) for name in STORED)


@pytest.mark.parametrize("name", ["in-place", "copied"])
def test_an_astray_build_id_note_changes_no_guess(name: str) -> None:
    """Both builds with a note at 0, where linkers put it without a place in the script: neither flash nor copy."""
    note = struct.pack("<III4s", 4, 20, 3, b"GNU")
    made = gauge_builds(name)
    astray = {
        build.name: replace(
            build,
            segments=(Segment(0, 0, note + bytes([n] * 20), 36, True, False, False, 99), *build.segments),
        )
        for n, build in enumerate(made.values())
    }
    assert text_of(astray, PATHS) == text_of(made, PATHS)


@every_case
def test_every_guess_has_its_reason(name: str) -> None:
    """Each value that no build can state has a comment beside or above it, and lines are short enough."""
    lines = text_of(SOUND[name]()).splitlines()
    guessed = r"(start|size|architecture|extensions|interrupts|role|boot_symbol|runs_in|vector_offset) = "
    sizes_of_areas = [index for index, line in enumerate(lines) if line.startswith("[area.")]
    for index, line in enumerate(lines):
        assert len(line) <= 110 or " = [" in line or " = {" in line, line
        assert line == line.rstrip()
        if re.match(guessed, line) and not any(0 < index - area <= 6 for area in sizes_of_areas):
            assert "#" in line or lines[index - 1].startswith("#"), line
    for index in sizes_of_areas:
        assert lines[index + 1].startswith("# guessed from: ")


@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
def test_what_is_guessed_of_the_tide_gauge(arrangement: str) -> None:
    """The draft of each arrangement says what its own layout says, as far as the builds can tell it."""
    guessed, written = layout_of(gauge_builds(arrangement)), gauge(arrangement).layout
    assert guessed.cores.keys() == written.cores.keys()
    for name, core in written.cores.items():
        assert guessed.cores[name].role == core.role
        assert guessed.cores[name].architecture == core.architecture
        assert guessed.cores[name].interrupts == core.interrupts
        used = set(guessed.cores[name].extensions)
        assert used <= set(core.extensions)
    for name, build in written.builds.items():
        theirs, ours = written.span_of(build.stored_in), guessed.span_of(guessed.builds[name].stored_in)
        assert ours.start == theirs.start
        assert theirs.covers(ours)
        assert (guessed.builds[name].runs_in is None) == (build.runs_in is None)
        if build.runs_in:
            runs_in = guessed.builds[name].runs_in or ""
            assert guessed.span_of(runs_in).start == written.span_of(build.runs_in).start
    assert guessed.span_of("shared").start == written.span_of("link").start
    (contract,) = guessed.contracts.values()
    assert contract.symbols == written.contracts["link"].symbols
    assert contract.boot_symbol == written.contracts["link"].boot_symbol
    assert guessed.span_of("station-ram") == written.span_of("station-ram")
    if arrangement != "two-banks":  # there the sampler sees its RAM elsewhere, which no build tells
        assert guessed.span_of("sampler-ram") == written.span_of("sampler-ram")


def test_what_a_hex_file_cannot_tell_is_said() -> None:
    """A draft from HEX files says so, and guesses what its vector tables tell."""
    text = text_of(SOUND["copied, HEX"]())
    assert "station.hex is no ELF file" in text
    assert 'runs_in = "sampler-run"' in text
    layout = layout_of(SOUND["copied, HEX"]())
    assert layout.span_of("sampler-run").start == gauge("copied").layout.span_of("sampler-run").start
    assert layout.cores["sampler"].interrupts == 124


def test_faults_between_builds_are_not_drafted_away() -> None:
    """Builds that do not fit together have a draft all the same, and its check says why they do not."""
    stale = gauge_builds(station="station-stale")
    assert layout_of(stale).builds.keys() == stale.keys()
    assert "It holds a copy of sampler at 0x1000_8000" in text_of(stale)
    made = builds()
    station, sampler = made["station"], made["sampler"]
    bss = next(it for it in station.segments if not it.data)
    both = Build(**{**_fields(sampler), "segments": (*sampler.segments, bss)})
    text = text_of({"station": station, "sampler": both})
    assert read_layout(text.encode(), "draft.toml")


def _fields(build: Build) -> dict[str, object]:
    return {name: getattr(build, name) for name in fields(Build)}


def test_paths_are_written_where_they_are_known() -> None:
    """A build's file becomes its path, quoted as TOML wants it."""
    text = text_of(builds(), {"station": 'a "b"\\c/köln.elf'})
    layout = read_layout(text.encode(), "draft.toml").layout
    assert layout.builds["station"].path == 'a "b"\\c/köln.elf'
    assert layout.builds["sampler"].path is None


def test_too_many_builds() -> None:
    """More builds than a device can have cores are refused in words."""
    one = gauge_builds()["station"]
    with pytest.raises(UsageProblem) as caught:
        draft({f"b{number}": one for number in range(MAX_BUILDS + 1)})
    assert caught.value.problems[0].expected == "1 to 16"


def _runs(count: int, distance: int) -> Build:
    segments = (
        Segment(number * distance, number * distance, b"\x5a", 1, True, False, True, number)
        for number in range(count)
    )
    return Build("runs", "runs.hex", "hex", tuple(segments))


@pytest.mark.parametrize("distance", [2, 0x100, 0x8000, 0xF_0000])
def test_many_runs_are_bounded(distance: int) -> None:
    """As many runs as a draft takes are drafted or refused in words at a bounded cost; more are refused at once."""
    with pytest.raises(UsageProblem, match="too many separate runs"):
        draft({"runs": _runs(0x1_0000, min(distance, 0x1_0000))})
    made = {"runs": _runs(MAX_RUNS, distance)}
    with within(10):
        if distance == 0xF_0000:
            with pytest.raises(UsageProblem, match="too many places"):
                draft(made)
        else:
            assert read_layout(text_of(made).encode(), "draft.toml")


ADDRESSES = st.sampled_from(
    [
        *(0, 0x80, 0x1000, 0x8000, 0x0800_0000, 0x0FFF_FF00, 0x1000_0000, 0x1FFF_0000, 0x2000_0000),
        *(0x2000_0400, 0x2000_8000, 0x3FFF_FFF0, 0x4000_0000, 0x5000_1000, 0x6000_0000, 0x9FFF_FF00),
        *(0xE000_0000, 0xFFFF_F000),
    ]
)
SIZES = st.sampled_from([1, 4, 64, 0x200, 0x1000])
WORDS = st.lists(st.sampled_from([0, 0x2000_1000, 0x2000_0001, 0x81, 0x1000_0041, 0xFFFF_FFFF]), max_size=24)


@st.composite
def _segment(draw: st.DrawFn, index: int) -> Segment:
    load = draw(ADDRESSES) + draw(st.sampled_from([0, 0, 4, 0x100]))
    run = draw(st.one_of(st.just(load), ADDRESSES))
    words = draw(WORDS)
    data = b"".join(word.to_bytes(4, "little") for word in words)[: max(0, (1 << 32) - max(load, run))]
    more = min(draw(st.one_of(st.just(0), SIZES)), (1 << 32) - run - len(data))
    flags = draw(st.tuples(st.booleans(), st.booleans(), st.booleans()))
    return Segment(load, run, data, len(data) + max(0, more), *flags, index)


@st.composite
def random_build(draw: st.DrawFn, name: str) -> Build:
    """Any build: up to four segments anywhere, with words that may read as vectors."""
    segments = [draw(_segment(index)) for index in range(draw(st.integers(1, 4)))]
    if not any(segment.data for segment in segments):
        segments.append(Segment(0x1000_0000, 0x1000_0000, b"\1" * 8, 8, True, False, True, 9))
    missing = draw(st.sampled_from([(), ("run addresses: told as stored",)]))
    entry = draw(st.one_of(st.none(), st.just(0x1000_0041)))
    ordered = tuple(sorted(segments, key=lambda segment: segment.load_address))
    kind = draw(st.sampled_from(["elf", "hex"]))
    return Build(name, f"{name}.elf", kind, ordered, entry=entry, missing=missing)


@given(
    st.lists(
        st.sampled_from(["a", "b", "a-b", "a" * 23, "record", "shared"]), min_size=1, max_size=3, unique=True
    ),
    st.data(),
)
def test_any_builds_have_a_draft_that_the_reader_takes(names: list[str], data: st.DataObject) -> None:
    """Whatever builds claim, overlapping, scattered, at the ends of the address space: it is a layout."""
    made = {name: data.draw(random_build(name)) for name in names}
    text = text_of(made)
    further = [checksum_faults, waiver_faults, severity_faults]
    layout = read_layout(text.encode(), "draft.toml", further).layout
    assert list(layout.builds) == list(layout.cores)
    assert set(layout.builds) == set(made)
    assert text_of(made) == text
