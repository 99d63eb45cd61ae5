"""The rehearsal table of the layout language: what it takes, and what it says of mistakes."""

from __future__ import annotations

import pytest
from rehearsals import device_text
from schemas import exported_schema

from gemel.errors import LayoutError
from gemel.layout.reader import read_layout

FAULTY = {
    "unknown core of a goal": (
        'core = "station"\nsymbol',
        'core = "statoin"\nsymbol',
        'did you mean "station"',
    ),
    "two goals in one": ('text = "station: done"', 'text = "x"\nsymbol = "y"', "exactly one of symbol"),
    "no goal": ('text = "station: done"', "", "exactly one of symbol"),
    "word in flash": ("at = 0x2000_C000", "at = 0x1000_0000", "an address of RAM"),
    "word not aligned": ("at = 0x2000_C000", "at = 0x2000_C002", "a multiple of 4"),
    "register in RAM": ("at = 0x5001_001C", "at = 0x2000_0000", "a device address"),
    "register twice": ("at = 0x5001_001C", "at = 0x5001_0008", "already described by rehearsal.sequence"),
    "release register": ("at = 0x5001_001C", "at = 0x5000_0014", "core.sampler.release.control_register"),
    "empty sequence": ("values = [0, 0, 1]", "values = []", "at least one value"),
    "unknown guarded area": ('guards = "link"', 'guards = "lnik"', 'did you mean "link"'),
    "guarded area not shared": ('guards = "link"', 'guards = "station-ram"', "purpose shared"),
    "lock that shows nothing": ('guards = "link"', "busy = 1", "two values"),
    "too many interrupts": ("mask = 0x1\ninterrupt = 5", "interrupt = 5", "below 16"),
    "interrupt number": ("interrupt = 3", "interrupt = 16", "below 16"),
    "unknown key": ("[rehearsal]\nbudget", "[rehearsal]\nbugdet", 'did you mean "budget"'),
    "budget of nothing": ("budget = 2_000_000", "budget = 0", "number out of range"),
    "unknown sender": ('from = "station"', 'from = "stations"', 'did you mean "station"'),
    "stack of nobody": (
        "[[rehearsal.serial]]",
        "[rehearsal.stack_size]\nnobody = 4\n\n[[rehearsal.serial]]",
        "unknown core",
    ),
    "registers of nobody": ('cores = ["station"]', 'cores = ["nobody"]', "unknown core"),
}


def test_the_device_reads_as_written() -> None:
    """Every part of the small device's table is in the model."""
    plan = read_layout(device_text().encode(), "x.toml").layout.rehearsal
    assert plan is not None
    assert plan.budget == 2_000_000
    assert [goal.core for goal in plan.goals] == ["station", "station", "sampler"]
    assert [(each.sender, each.receiver, each.interrupt) for each in plan.interrupts] == [
        ("station", "sampler", 5),
        ("sampler", "station", 3),
    ]
    assert plan.mutexes[0].guards == "link"


@pytest.mark.parametrize("name", FAULTY)
def test_mistake_is_named_with_its_line(name: str) -> None:
    """Each mistake is told with file, line and what was expected."""
    old, new, said = FAULTY[name]
    text = device_text({old: new})
    with pytest.raises(LayoutError) as caught:
        read_layout(text.encode(), "x.toml")
    assert any(said in str(problem) for problem in caught.value.problems)
    assert all(problem.where.startswith("x.toml:") for problem in caught.value.problems)


def test_rehearsal_does_not_change_the_digest() -> None:
    """How an image is rehearsed is no part of what it is: the record's digest of the layout stays."""
    text = device_text()
    without = text.split("\n[rehearsal]")[0]
    assert read_layout(text.encode(), "x").digest == read_layout(without.encode(), "x").digest


def test_schema_describes_the_table() -> None:
    """The JSON Schema of the layout language holds the rehearsal's keys."""
    table = exported_schema("schema")["properties"]["rehearsal"]
    assert {"budget", "goal", "mutex", "inter_core_interrupt", "registers_of"} <= set(table["properties"])
