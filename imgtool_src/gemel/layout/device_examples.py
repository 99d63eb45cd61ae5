"""Examples of devices as a layout describes them, which `gemel explain layout` shows next to their tables.

``tests/rehearse/test_device_examples.py`` reads each of them and runs a program that uses the device.
"""

from __future__ import annotations

from typing import Any

from gemel.layout.model import Release
from gemel.layout.rehearsal_model import (
    ConstantRegister,
    DeviceEvent,
    FlashController,
    HeldRegister,
    ReadyBits,
    RegisterByCore,
    SetClearRegister,
)
from gemel.structs import NamedTuple


class Example(NamedTuple):
    """A description of a device: the model of its table, what it is, and the lines of the layout."""

    model: type[Any]
    title: str
    text: str


EXAMPLES = (
    Example(
        Release,
        "a secondary that is restarted: bit 1 set holds it in reset, each change to clear starts it",
        """\
[core.sampler.release]
vector_register = 0x5002_1114
control_register = 0x5002_1118
release_mask = 0x2
release_value = 0x0""",
    ),
    Example(
        ConstantRegister,
        "a register of two meanings: reads are a status (0x80: ready), writes are sent",
        """\
[[rehearsal.constant]]
at = 0x5020_0000
value = 0x80
[[rehearsal.serial]]
at = 0x5020_0000""",
    ),
    Example(
        HeldRegister,
        "a register of which the device keeps bits 4 to 31",
        """\
[[rehearsal.held]]
at = 0x5020_0000
reset = 0x100
writable = 0xF""",
    ),
    Example(
        SetClearRegister,
        "a port with a register that sets bits and one that clears them",
        """\
[[rehearsal.set_clear]]
value_at = 0x5020_0000
set_at = 0x5020_0004
clear_at = 0x5020_0008""",
    ),
    Example(
        ReadyBits,
        "an oscillator: bit 9 reads ready once bit 0 of the same register enables it",
        """\
[[rehearsal.ready]]
at = 0x5020_0000
bits = 0x200
follow_at = 0x5020_0000
follow_bits = 0x1""",
    ),
    Example(
        RegisterByCore,
        "the number of the core that reads it",
        """\
[[rehearsal.by_core]]
at = 0x5020_0000
values = { station = 0, sampler = 1 }""",
    ),
    Example(
        DeviceEvent,
        "a periodic timer, whose interrupt 5 stays until a one is written to its status",
        """\
[[rehearsal.event]]
core = "station"
every = 1000
interrupt = 5
clear_at = 0x5020_0008""",
    ),
    Example(
        DeviceEvent,
        "a byte that is sent: interrupt 6 comes 100 instructions after the write",
        """\
[[rehearsal.event]]
core = "station"
after_write = 0x5020_0000
interrupt = 6""",
    ),
    Example(
        DeviceEvent,
        "a conversion: started by a write, ended when status bit 0 reads one, cleared by a read of the result",
        """\
[[rehearsal.event]]
core = "station"
after_write = 0x5020_0000
status_at = 0x5020_0004
clear_at = 0x5020_000C
cleared_by = "read\"""",
    ),
    Example(
        FlashController,
        "flash that is unlocked by two keys; command 1 programs by stores, command 2 erases a block",
        """\
[[rehearsal.flash_controller]]
memory = "flash"
command_at = 0x5020_0010
address_at = 0x5020_0014
status_at = 0x5020_0018
unlock = { at = 0x5020_001C, keys = [0x4567_0123, 0xCDEF_89AB] }""",
    ),
)
"""One for each kind of device that start-up code commonly waits for."""
