"""From layout, image and builds to the plan of a device, and devices that cannot be emulated."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest
from rehearsals import device, device_text, gauge
from thumb import assembled

from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.layout.reader import read_layout
from gemel.rehearsal import CannotRehearse, RehearsalOptions, rehearse
from gemel.rehearsal.setup.planning import plan_of
from gemel.spans import Span

TINY = '[memory.tiny]\nkind = "ram"\nstart = 0x5000_1300\nsize = 64\n\n'


def plan(text: str):  # type: ignore[no-untyped-def]
    """The plan of a layout with an empty image."""
    return plan_of(Inspection(read_layout(text.encode(), "x.toml"), SparseBytes()))


@pytest.mark.parametrize(
    ("replace", "said"),
    [
        ({"views = { sampler = 0x3000_0000 }": "views = { sampler = 0x3000_0200 }"}, "views of memory ram"),
        (
            {
                "[memory.control]": TINY + "[memory.control]",
                'start = 0x5000_0000\nsize = "4 KiB"': "start = 0x5000_0000\nsize = 0x1200",
            },
            "share a page",
        ),
        ({'start = 0x2000_0000\nsize = "64 KiB"': 'start = 0x2000_0000\nsize = "257 MiB"'}, "more memory"),
    ],
)
def test_device_that_cannot_be_mapped_is_refused(replace: dict[str, str], said: str) -> None:
    """What the emulator's pages cannot show is refused with both parties, never emulated wrongly."""
    text = device_text(replace).split("\n[rehearsal]")[0]
    with pytest.raises(CannotRehearse) as caught:
        plan(text)
    assert any(said in str(problem) for problem in caught.value.problems)
    assert caught.value.exit_code == 2


def test_every_problem_is_told_at_once() -> None:
    """Goals without builds and a view that cannot be mapped come in one error."""
    text = device_text({"views = { sampler = 0x3000_0000 }": "views = { sampler = 0x3000_0200 }"})
    with pytest.raises(CannotRehearse) as caught:
        plan(text)
    assert len(caught.value.problems) == 2


def test_small_memories_end_inside_their_page(tmp_path: Path) -> None:
    """A memory that ends inside a page ends there for the core too: the access behind it is found."""
    old, new = 'start = 0x3800_0000\nsize = "128 KiB"', "start = 0x3800_0000\nsize = 0x1_1800"
    read = read_layout(gauge("in-place").read.text.replace(old, new).encode(), "x.toml")
    for address, expected in ((0x3801_17FC, "never-released"), (0x3801_1800, "unmapped-read")):
        image = SparseBytes()
        image.write(
            0x1000_0000, struct.pack("<II", 0x3800_8000, 0x1000_0401) + struct.pack("<I", 0x1000_0401) * 138
        )
        image.write(
            0x1000_0400, assembled(f"ldr r0, ={address}\n ldr r1, [r0]\n wfi\n b .\n .ltorg", tmp_path)
        )
        rehearsal = rehearse(read, image, {}, RehearsalOptions(budget=100_000, isolate=False))
        assert [finding.kind for finding in rehearsal.findings] == [expected]


def test_rights_of_each_core() -> None:
    """Who may execute what, and whose RAM is closed to whom, before and after the release."""
    case = device()
    station, sampler = plan_of(Inspection(case.read, case.image, case.builds)).cores
    assert all(Span(0x1000_0000, 0x4000).covers(span) for span in station.executable)
    assert all(Span(0x3000_8000, 0x4000).covers(span) for span in sampler.executable)
    closed = {(each.party, each.from_release_of) for each in station.closed}
    assert closed == {("sampler-ram", ""), ("sampler-run", "sampler")}
    assert {each.party for each in sampler.closed} == {"station-ram", "sampler"}


def test_without_builds_whole_areas_are_code() -> None:
    """Where nothing tells what of an area is code, all of it may be executed."""
    case = device()
    text = device_text().split("\n[rehearsal]")[0]
    station, sampler = plan_of(Inspection(read_layout(text.encode(), "x.toml"), case.image)).cores
    assert station.executable == (Span(0x1000_0000, 0x4000),)
    assert sampler.executable == (Span(0x1000_8000, 0x4000), Span(0x3000_8000, 0x4000))
    assert station.stack_limit is None


def test_stack_limits_come_from_the_builds() -> None:
    """The limits are where the linker script starts each stack."""
    case = device()
    station, sampler = plan_of(Inspection(case.read, case.image, case.builds)).cores
    assert station.stack_limit == 0x2000_4000 - 0x400
    assert sampler.stack_limit == 0x3000_8000 - 0x200


def test_third_core_is_rehearsed_too() -> None:
    """A layout with two secondaries runs, and the one that is never released is found."""
    third = (
        '[core.third]\nrole = "secondary"\narchitecture = "armv8-m.main"\ninterrupts = 0\n'
        "[core.third.release]\nvector_register = 0x5002_1120\ncontrol_register = 0x5002_1124\n"
        "release_mask = 0x1\nrelease_value = 0x1\n"
    )
    case = gauge("in-place")
    read = read_layout((case.read.text + "\n" + third).encode(), "x.toml")
    rehearsal = rehearse(read, case.image, case.builds, RehearsalOptions(isolate=False))
    assert [(each.kind, each.what) for each in rehearsal.findings] == [
        ("never-released", "core third is never released")
    ]
    assert [core.state for core in rehearsal.cores] == ["sleeping", "sleeping", "reset"]


def test_primary_that_fetches_its_vectors_elsewhere() -> None:
    """reset_vectors that point past the table start something else, which is found at once."""
    case = gauge("in-place")
    text = case.read.text.replace(
        '[core.station]\nrole = "primary"', '[core.station]\nreset_vectors = 0x1000_4000\nrole = "primary"'
    )
    rehearsal = rehearse(
        read_layout(text.encode(), "x.toml"), case.image, {}, RehearsalOptions(isolate=False)
    )
    assert rehearsal.findings[0].kind == "vectors-erased"


def test_alias_of_flash_is_executable() -> None:
    """A primary that starts at an alias of flash runs, at addresses of the alias."""
    case = gauge("in-place")
    text = case.read.text.replace("erased_byte = 0xFF", "erased_byte = 0xFF\naliases = [0x0000_0000]", 1)
    text = text.replace(
        '[core.station]\nrole = "primary"', '[core.station]\nreset_vectors = 0\nrole = "primary"'
    )
    rehearsal = rehearse(
        read_layout(text.encode(), "x.toml"), case.image, case.builds, RehearsalOptions(isolate=False)
    )
    assert rehearsal.passes
    start = rehearsal.event("start", "station")
    assert start is not None
    assert start.numbers["vectors"] == 0
