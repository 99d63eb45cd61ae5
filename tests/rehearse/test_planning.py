"""From layout, image and builds to the plan of a device, and devices that cannot be emulated."""

from __future__ import annotations

import re
import struct
from pathlib import Path

import pytest
from rehearsals import BUILT, Case, device, device_text, gauge
from thumb import assembled

from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.layout.reader import read_layout
from gemel.rehearsal.session import RehearsalOptions, rehearse
from gemel.rehearsal.setup.planning import CannotRehearse, plan_of
from gemel.spans import Span
from gemel.text.wrapping import step_lines

AFTER = '[area.after]\nmemory = "ram"\noffset = "112 KiB"\nsize = 256\npurpose = "data"\n'
DEVICE = '[memory.device]\nkind = "device"\nstart = 0x4000_0000\nsize = 64\n\n'
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
    flash, size = Span(0x1000_0000, 0x4000), 0x4000
    for core, copied in (
        (station, 0x2000_8000),
        (sampler, 0x3000_8000),
    ):  # each may lend the other a function
        assert {(flash.covers(each), Span(copied, size).covers(each)) for each in core.executable} == {
            (True, False),
            (False, True),
        }
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


def _rehearsed(text: str, program: str, folder: Path):  # type: ignore[no-untyped-def]
    """The station with this program, and no build."""
    image = SparseBytes()
    vectors = struct.pack("<II", 0x3800_8000, 0x1000_0401) + struct.pack("<I", 0x1000_0401) * 138
    image.write(0x1000_0000, vectors)
    image.write(0x1000_0400, assembled(f"{program}\n .ltorg", folder))
    options = RehearsalOptions(budget=100_000, isolate=False)
    return rehearse(read_layout(text.encode(), "x.toml"), image, {}, options)


@pytest.mark.parametrize("address", [0x4A05_1004, 0x5002_0FFC, 0x5003_0000])
def test_registers_in_no_memory_come_with_lines_that_describe_them(tmp_path: Path, address: int) -> None:
    """The next step has a table that serves as it is: of a new name, beside the memories that there are."""
    text = gauge("in-place", with_table=False).read.text.replace("[memory.ram]", DEVICE + "[memory.ram]")
    finding = _rehearsed(text, f"ldr r0, ={address}\n ldr r1, [r0]\n b .", tmp_path).finding("unmapped-read")
    assert finding is not None
    _, *table = step_lines(finding.next_step)
    described = "\n".join([text, *table, ""])
    again = _rehearsed(described, f"ldr r0, ={address}\n ldr r1, [r0]\n b .", tmp_path)
    assert again.finding("unmapped-read") is None


def test_memory_that_ends_too_early_is_named(tmp_path: Path) -> None:
    """An address just after a memory may show that its size is wrong; one far from all shows nothing of them."""
    text = gauge("in-place", with_table=False).read.text
    for address, named in ((0x1008_0000, "size of memory flash"), (0x0900_0000, "[memory.NAME]")):
        finding = _rehearsed(text, f"ldr r0, ={address}\n ldr r1, [r0]\n b .", tmp_path).findings[0]
        assert named in finding.next_step


def test_a_wait_for_a_core_that_the_layout_never_releases_is_the_layouts(tmp_path: Path) -> None:
    """Without the release's table the next step is that table; with it, the core that waits is to blame."""
    whole = gauge("in-place", with_table=False).read.text
    text = re.sub(r"\[core\.sampler\.release\]\n(.+\n)+", "", whole)
    waits = "ldr r0, =0x38010000\n movs r1, #0\n str r1, [r0]\n1: ldr r1, [r0]\n cmp r1, #0\n beq 1b\n b ."
    (finding,) = _rehearsed(text, waits, tmp_path).findings
    assert finding.next_step.startswith("add [core.sampler.release] to the layout")
    (finding,) = _rehearsed(whole, waits, tmp_path).findings
    assert finding.kind == "never-released"
    own = waits.replace("0x38010000", "0x38000000")
    (finding,) = _rehearsed(text, own, tmp_path).findings
    assert "release" not in finding.next_step
    goal = '\n[[rehearsal.goal]]\ncore = "sampler"\naddress = 0x1000_8400\n'
    (finding,) = _rehearsed(text + goal, "9: wfi\n b 9b", tmp_path).findings
    assert finding.kind == "goal-not-reached"
    assert finding.next_step.startswith("add [core.sampler.release] to the layout")


@pytest.mark.parametrize("arrangement", ["in-place", "copied", "two-banks"])
def test_the_registers_of_a_release_are_proposed(arrangement: str) -> None:
    """The primary writes the secondary's vectors to one register and then the one next to it; so it is released."""
    whole = gauge(arrangement)
    text = re.sub(r"\[core\.sampler\.release\]\n(.+\n)+", "", whole.read.text)
    elves = {name: (BUILT / arrangement / f"{name}.elf").read_bytes() for name in whole.builds}
    (finding,) = Case(text, elves).rehearse(budget=2_000_000).findings
    said, *table = step_lines(finding.next_step)
    assert said == "add to the layout:"
    assert table[-1].endswith(" # then core sampler starts")
    assert Case("\n".join([text, *table, ""]), elves).rehearse().passes


@pytest.mark.parametrize("second", [0x5002_1118, 0x5002_1214])
def test_a_register_elsewhere_releases_nobody(second: int, tmp_path: Path) -> None:
    """What is no vector address, and what is written far from the register that takes it, is not proposed."""
    text = re.sub(r"\[core\.sampler\.release\]\n(.+\n)+", "", gauge("in-place", with_table=False).read.text)
    waits = "ldr r0, =0x38010000\n movs r1, #0\n str r1, [r0]\n1: ldr r1, [r0]\n cmp r1, #0\n beq 1b\n b ."
    vectors = 0x1000_8000 if second == 0x5002_1214 else 0x1000_8004
    writes = f"ldr r0, =0x50021114\n ldr r1, ={vectors}\n str r1, [r0]\n ldr r0, ={second}\n str r1, [r0]\n"
    (finding,) = _rehearsed(text, writes + waits, tmp_path).findings
    assert finding.next_step.startswith("add [core.sampler.release] to the layout")


def test_a_copy_that_runs_past_its_area_is_one_finding_that_names_it(tmp_path: Path) -> None:
    """Each store of an unrolled loop is one more place of one fault; a store far from it is a fault of its own."""
    text = gauge("copied", with_table=False).read.text
    for old, new in (
        (
            '"96 KiB"\nsize = "32 KiB"\npurpose = "code"\n',
            '"96 KiB"\nsize = "16 KiB"\npurpose = "code"\n' + AFTER,
        ),
        ('ram = ["sampler-ram"]', 'ram = ["sampler-ram", "after"]'),
    ):
        assert old in text
        text = text.replace(old, new)
    stores = "".join(f" str r1, [r0, #{offset}]\n" for offset in (0, 4, 8, 12))
    program = f"ldr r0, =0x3801C000\n movs r1, #1\n{stores}{{more}} 9: wfi\n b 9b"
    found = _rehearsed(text, program.format(more=""), tmp_path).findings
    (finding,) = [each for each in found if each.kind == "write-to-other-core"]
    assert "to which build sampler is copied" in finding.found
    assert "end the copy of build sampler" in finding.next_step
    found = _rehearsed(text, program.format(more=" str r1, [r0, #64]\n"), tmp_path).findings
    far, near = sorted(
        (each for each in found if each.kind == "write-to-other-core"),
        key=lambda each: "copied" in each.found,
    )
    assert "end the copy" not in far.next_step
    assert "end the copy" in near.next_step
