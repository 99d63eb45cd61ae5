"""The tide gauge rehearsed in all its arrangements, sound and faulty."""

from __future__ import annotations

import pytest
from rehearsals import gauge, kinds
from rehearse.differential.building import Builder
from rehearse.differential.cases import Case, Source
from rehearse.differential.judge import product_of
from tide_gauge import ARRANGEMENTS, BUILT, expected_text, read_elf


@pytest.mark.parametrize("arrangement", ["in-place", "copied"])
def test_station_says_what_it_must(arrangement: str) -> None:
    """The serial text is the one worked out from the ELF files and the pressure table."""
    rehearsal = gauge(arrangement).rehearse()
    assert rehearsal.texts["serial"].splitlines() == expected_text(arrangement)
    assert rehearsal.findings == ()


def test_unlike_cores_with_views_and_key_rehearse() -> None:
    """An Armv7E-M station with floats and an Armv6-M sampler run; only the smoothed levels come on top."""
    rehearsal = gauge("two-banks").rehearse()
    lines = rehearsal.texts["serial"].splitlines()
    assert [line.partition(", smoothed")[0] for line in lines] == expected_text("two-banks")
    assert ", smoothed 1182 mm" in lines[6]
    assert rehearsal.passes


LABELS = r"""
__asm__(".text\n.thumb_func\n.type count_down, %function\ncount_down:\n count_loop: subs r0, #1\n bne count_loop\n"
        " count_end: bx lr\n");
void count_down(uint32_t);
void scenario(void) { count_down(9); }
"""


def test_labels_inside_of_assembly_are_no_functions(builder: Builder) -> None:
    """Functions that were executed are among those that the build defines, where loops in assembly have labels too."""
    case = Case("case", "labels", Source(LABELS), Source())
    station = product_of(case, builder.build(case)).rehearse().cores[0]
    assert "count_down" in station.functions
    assert not {"count_loop", "count_end"} & set(station.functions)
    assert len(station.functions) <= station.function_count


@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
def test_sampler_starts_at_its_vector_table(arrangement: str) -> None:
    """The release is seen with the address at which pyelftools finds the sampler's vector table."""
    rehearsal = gauge(arrangement).rehearse()
    released, started = rehearsal.event("released", "station"), rehearsal.event("start", "sampler")
    vectors = read_elf(BUILT / arrangement / "sampler.elf").symbols["vector_table"]
    assert released is not None
    assert started is not None
    assert released.numbers["vectors"] == started.numbers["vectors"] == vectors
    assert released.place is not None
    assert released.place.function.startswith("sampler_release")
    assert "reset_handler" in started.text


@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
def test_it_runs_and_judges_without_a_table(arrangement: str) -> None:
    """Without a rehearsal table both cores start, run and go to sleep; that nothing could wake them is said."""
    rehearsal = gauge(arrangement, with_table=False).rehearse()
    assert kinds(rehearsal) == [("no-wake-up-source", "sampler"), ("no-wake-up-source", "station")]
    assert [core.state for core in rehearsal.cores] == ["sleeping", "sleeping"]
    assert "every core sleeps" in rehearsal.ended


@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
def test_it_runs_and_judges_without_builds(arrangement: str) -> None:
    """From image and layout alone both cores start; only names are missing."""
    rehearsal = gauge(arrangement).rehearse(with_builds=False)
    assert rehearsal.passes
    assert rehearsal.texts["serial"].endswith("tide gauge: done\n")
    assert all(core.functions == () for core in rehearsal.cores)


def test_misplaced_sampler_is_found() -> None:
    """A sampler linked elsewhere in its area: the finding names where its table seems to lie instead."""
    rehearsal = gauge("in-place", sampler="sampler-misplaced").rehearse()
    assert kinds(rehearsal) == [("vectors-erased", "sampler")]
    finding = rehearsal.finding("vectors-erased")
    assert finding is not None
    assert "0x1000_C000" in finding.found
    assert rehearsal.cores[1].state == "locked up"


def test_stack_use_and_functions_are_told() -> None:
    """Stack marks lie inside the room that the linker script gives, and functions are those of the ELF."""
    station, sampler = gauge("in-place").rehearse().cores
    assert station.stack_used is not None
    assert 64 < station.stack_used < (station.stack_room or 0) == 2048
    assert sampler.stack_used is not None
    assert 64 < sampler.stack_used < (sampler.stack_room or 0) == 1024
    known = set(read_elf(BUILT / "in-place" / "sampler.elf").symbols)
    assert {"reset_handler", "run_sampler", "filter_frame"} <= set(sampler.functions) <= known
    assert "unexpected_exception" not in sampler.functions
    assert sampler.function_count == len(sampler.functions) + 1
