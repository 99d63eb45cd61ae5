"""What the parts of a layout must say about each other: every fault, its line and its words."""

from __future__ import annotations

import ast
import inspect
import sys
from types import ModuleType

import pytest
from layout.checks import faulty_layouts
from layout.checks.faulty_layouts import Faulty
from layout.reading import FILE, messages, read
from small_device import LAYOUT, layout_text

from gemel.layout.checks import areas as area_checks
from gemel.layout.checks import cores as core_checks
from gemel.layout.checks import memories as memory_checks
from gemel.layout.checks import names
from gemel.layout.checks import values as value_checks
from gemel.layout.kinds import LayoutFault
from gemel.layout.model import BuildRange
from gemel.layout.reader import MAX_FAULTS
from gemel.record import format as record_format

SUBJECTS = {
    "names": (names, faulty_layouts.OF_NAMES),
    "memories": (memory_checks, faulty_layouts.OF_MEMORIES),
    "cores": (core_checks, faulty_layouts.OF_CORES),
    "areas": (area_checks, [*faulty_layouts.OF_AREAS, *faulty_layouts.OF_SECURITY]),
    "values": (value_checks, faulty_layouts.OF_VALUES),
}
AREAS = "link, record, sampler-code, sampler-ram, sampler-run, seal, spare, station-code, station-ram"


UUID = "d6d1a0fa-6a6a-4a0c-8b1a-2f1f0f3f7d11"


def text_of(faulty: Faulty) -> str:
    return layout_text(faulty.replace, faulty.add)


@pytest.mark.parametrize("faulty", faulty_layouts.ALL, ids=lambda faulty: faulty.name)
def test_a_fault_is_told_with_its_line_and_in_these_words(faulty: Faulty) -> None:
    """Each faulty layout gives its message, at the line that is wrong, and no others than were counted."""
    text = text_of(faulty)
    lines = [number for number, line in enumerate(text.split("\n"), 1) if faulty.line in line]
    assert len(lines) == 1, "the fixture names one line"
    told = messages(text)
    assert f"{FILE}:{lines[0]}: {faulty.says.replace('<areas>', AREAS)}" in told
    assert len(told) == faulty.count


def test_the_layout_that_they_are_made_of_is_sound() -> None:
    """Without the fault there is nothing to tell."""
    assert read(LAYOUT).layout.product == "small-device"


@pytest.mark.parametrize("subject", SUBJECTS)
def test_every_fault_of_a_module_is_provoked(subject: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every place in the module that makes a fault is reached by a layout of its table."""
    module, table = SUBJECTS[subject]
    reached: set[int] = set()

    def recording(*arguments: object, **named: object) -> LayoutFault:
        reached.add(sys._getframe(1).f_lineno)
        return LayoutFault(*arguments, **named)  # type: ignore[arg-type]

    monkeypatch.setattr(module, "LayoutFault", recording)
    for faulty in table:
        messages(text_of(faulty))
    places = _places_of_faults(module)
    assert places
    missed = [first for first, last in places if not reached & set(range(first, last + 1))]
    assert not missed, f"{module.__name__}, lines {missed}"


def _places_of_faults(module: ModuleType) -> list[tuple[int, int]]:
    """First and last line of each call of LayoutFault in the module's source."""
    return [
        (node.lineno, node.end_lineno or node.lineno)
        for node in ast.walk(ast.parse(inspect.getsource(module)))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "LayoutFault"
    ]


def test_faults_of_all_subjects_are_told_at_once_in_the_order_of_the_file() -> None:
    """One reading tells of a memory, a core, an area, a build and a checksum, by line."""
    text = layout_text(
        {
            "write_unit = 8": "write_unit = 12",
            "release_value = 0x1": "release_value = 0x3",
            'size = "2 KiB", purpose = "reserved"': 'size = "3 KiB", purpose = "reserved"',
            'stored_in = "sampler-code"': 'stored_in = "sampler-run"',
            '"CRC-32/ISO-HDLC"': '"CRC-32/NONE"',
        }
    )
    told = messages(text)
    lines = [int(message.split(":")[1]) for message in told]
    assert lines == sorted(lines)
    starts = [message.split(": ")[1] for message in told]
    assert starts == [
        "write unit is not a power of two",
        "value outside its mask",
        "areas overlap",
        "a build is stored in flash",
        "unknown checksum algorithm",
    ]


def test_unknown_names_hide_what_depends_on_them() -> None:
    """A checksum over an area that does not exist is told once, and nothing stumbles over it."""
    told = messages(layout_text({'"station-code", offset = 0, size': '"nowhere", offset = 0, size'}))
    assert [message.split(": ")[1] for message in told] == ["unknown area"]


def test_a_key_at_fault_is_told_once() -> None:
    """What another room says of a key that is already at fault is left out, as an echo."""
    told = messages(
        layout_text({"offset = 0, size = 0xFFC }]": 'offset = 1, size = 0x1001 }]\nfeed = "word"'})
    )
    assert len(told) == 1
    assert "range ends after its area" in told[0]


def test_of_more_overlaps_than_anybody_reads_the_first_hundred_are_told() -> None:
    """Areas that all lie on each other do not give a message for each pair."""
    areas = "".join(
        f'area-{index} = {{ memory = "flash", offset = "12 KiB", size = 4, purpose = "data" }}\n'
        for index in range(100)
    )
    told = messages(layout_text({"[area]\n": f"[area]\n{areas}"}))
    assert len(told) == MAX_FAULTS + 1
    assert all("areas overlap" in message for message in told[:-1])
    assert told[-1].endswith(f"there are more than {MAX_FAULTS} faults; correct these first")


def test_what_only_a_build_tells_is_left_to_the_join() -> None:
    """Where a build is left out of a checksum, nobody knows yet whether the checksum covers its own place."""
    text = layout_text(
        {
            '[{ area = "station-code", offset = 0, size = 0xFFC }]': '["station-code"]\n'
            'except = [{ build = "station" }]'
        }
    )
    assert read(text).layout.checksums[0].exceptions[0] == BuildRange(build="station")


def test_the_record_has_the_room_that_its_format_needs() -> None:
    """The layout's idea of a record is that of the record's own format."""
    assert area_checks.RECORD_MAX_BUILDS == record_format.MAX_BUILDS
    assert area_checks.RECORD_ALIGNMENT == record_format.RECORD_ALIGNMENT
    for count in (1, 16):
        needed = area_checks.RECORD_HEAD + count * area_checks.RECORD_ENTRY
        assert needed == record_format.record_size(count)


def test_a_record_that_just_fits_is_taken() -> None:
    """516 bytes hold a record of two builds; 512 do not (see the table)."""
    assert read(
        layout_text({'offset = "10 KiB", size = "1 KiB"': 'offset = "10 KiB", size = 516'})
    ).layout.record


@pytest.mark.parametrize(
    "replace",
    [
        {"write_unit = 8": "write_unit = 8\naliases = [0x0000_0000, 0x0000_4000]"},
        {'offset = "8 KiB", size = "2 KiB"': 'offset = "8 KiB", size = 1'},
        {'stored_in = "sampler-code"': 'stored_in = "sampler-code"\nruns_in = "sampler-run"'},
        {
            'ram = ["sampler-ram", "sampler-run"]': 'ram = ["sampler-ram"]',
            'stored_in = "sampler-code"': 'stored_in = "sampler-code"\nruns_in = "sampler-run"',
        },
        {'stored_in = "sampler-code"': 'stored_in = "sampler-code"\nvector_offset = 0xFF8'},
        {
            '[{ area = "station-code", offset = 0, size = 0xFFC }]': '["station-code"]\n'
            'except = [{ area = "station-code", offset = 0xFFC }]'
        },
        {'over = [{ area = "station-code", offset = 0, size = 0xFFC }]': 'over = [{ build = "station" }]'},
        {'at = { area = "station-code", offset = 0xFFC }': "at = 0x1000_3FFC"},
        {"width = 4\nvalue = { size_of": "width = 32\nvalue = { sha256_of"},
        {'width = 4\nvalue = { size_of = "station" }': "width = 2\nvalue = 0xFFFF"},
        {'architecture = "armv8-m.main"\ninterrupts = 16': 'architecture = "armv6-m"\ninterrupts = 32'},
        {'vendor = "harbour.example"\nclass = "small device"': f'class = "{UUID}"'},
        {'extensions = ["security"]': "vector_alignment = 1024"},
    ],
    ids=str,
)
def test_what_is_just_right_is_taken(replace: dict[str, str]) -> None:
    """Next to each limit lies a layout that keeps it."""
    assert read(layout_text(replace)).layout.format == 1


@pytest.mark.parametrize(("limit", "exact"), [("MAX_COVERED", 0xFFC), ("MAX_FLASH", 0x4000)])
def test_what_is_gone_through_has_a_limit(monkeypatch: pytest.MonkeyPatch, limit: str, exact: int) -> None:
    """The attack: a layout of some lines, whose checksums and digest cover gigabytes, took half a minute."""
    monkeypatch.setattr(value_checks, limit, exact)
    assert read(LAYOUT)
    monkeypatch.setattr(value_checks, limit, exact - 1)
    (told,) = messages(LAYOUT)
    assert "gemel goes through" in told or "of a record goes through" in told


def test_as_many_ranges_of_checksums_as_are_looked_at() -> None:
    """MAX_RANGES together; the attack: 15,000 in half a megabyte of layout took up to 4 s."""
    assert value_checks.MAX_RANGES == 1 + 15 * 256 + 254 + 1
    assert read(LAYOUT + faulty_layouts.checksums_of_ranges(254))
