"""The behaviours of device registers, one at a time, without an emulator."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gemel.layout.rehearsal_model import (
    ConstantRegister,
    HeldRegister,
    InterCoreInterrupt,
    MutexRegister,
    RehearsalPlan,
    SequenceRegister,
    SerialRegister,
    SetClearRegister,
    StatusRegister,
)
from gemel.rehearsal.emulator.registers.device_registers import DeviceRegisters
from gemel.rehearsal.emulator.registers.special_registers import ReleaseWatch
from gemel.rehearsal.plan import ReleasePlan
from gemel.rehearsal.raw_run import MAX_TEXT


class Bench:
    """Registers with everything that they report kept."""

    def __init__(self, **described: object) -> None:
        self.events: list[tuple[str, dict[str, int], dict[str, str]]] = []
        self.pending: list[tuple[str, int, bool]] = []
        self.started: list[tuple[str, int]] = []
        self.states = {"a": "running", "b": "running"}
        self.registers = DeviceRegisters(
            RehearsalPlan(**described),  # type: ignore[arg-type]
            {},
            lambda kind, numbers, words: self.events.append((kind, numbers, words)),
            lambda core, number, pending: self.pending.append((core, number, pending)),
            lambda core: self.states[core],
        )

    def read(self, address: int, size: int = 4, core: str = "a") -> int:
        return self.registers.port(core, address & ~3, 0, None).read(address & 3, size)

    def write(self, address: int, value: int, size: int = 4, core: str = "a") -> None:
        self.registers.port(core, address & ~3, 0, None).write(address & 3, size, value)


def test_undescribed_register_reads_zero_and_forgets() -> None:
    """What the layout does not describe reads zero whatever was written; both accesses are counted."""
    bench = Bench()
    bench.write(0x4000_0000, 7)
    assert bench.read(0x4000_0000) == 0
    access = bench.registers.accesses["a", 0x4000_0000]
    assert (access.reads, access.writes) == (1, 1)
    assert not bench.registers.known(0x4000_0000)


def test_constant_reads_by_parts() -> None:
    """Bytes and half-words of a constant are its little-endian parts."""
    bench = Bench(constants=(ConstantRegister(at=0x100, value=0x1122_3344),))
    assert [bench.read(0x100 + at, 1) for at in range(4)] == [0x44, 0x33, 0x22, 0x11]
    assert [bench.read(0x100, 2), bench.read(0x102, 2)] == [0x3344, 0x1122]


@pytest.mark.parametrize(("repeat", "expected"), [(False, [1, 2, 3, 3, 3]), (True, [1, 2, 3, 1, 2])])
def test_sequence(repeat: bool, expected: list[int]) -> None:
    """A sequence gives one value a read; at its end the last one stays or it starts again."""
    bench = Bench(sequences=(SequenceRegister(at=0x100, values=(1, 2, 3), repeat=repeat),))
    assert [bench.read(0x100) for _ in range(5)] == expected


@given(st.lists(st.tuples(st.sampled_from([1, 2, 4]), st.integers(0, 3), st.integers(0, 0xFFFF_FFFF))))
def test_held_register_is_like_memory(writes: list[tuple[int, int, int]]) -> None:
    """A held register keeps aligned bytes, half-words and words as memory would."""
    bench = Bench(held=(HeldRegister(at=0x100, reset=0x0102_0304),))
    memory = bytearray((0x0102_0304).to_bytes(4, "little"))
    for size, place, value in writes:
        at = place // size * size
        value &= (1 << 8 * size) - 1
        bench.write(0x100 + at, value, size)
        memory[at : at + size] = value.to_bytes(size, "little")
        assert bench.read(0x100) == int.from_bytes(memory, "little")


def test_set_clear_pair() -> None:
    """Ones set and clear bits of one value; zeros change nothing."""
    bench = Bench(set_clear=(SetClearRegister(value_at=0x100, set_at=0x104, clear_at=0x108, reset=0x8),))
    bench.write(0x104, 0x5)
    bench.write(0x108, 0x9)
    assert bench.read(0x100) == 0x4
    bench.write(0x100, 0xFF)
    assert bench.read(0x100) == 0x4


def test_status_tells_of_both_cores() -> None:
    """Bits of one status word follow the states of the cores that they tell of."""
    described = (
        StatusRegister(at=0x100, core="a", sleeping=0x1, locked_up=0x10),
        StatusRegister(at=0x100, core="b", sleeping=0x2, locked_up=0x20),
    )
    bench = Bench(status=described)
    assert bench.read(0x100) == 0
    bench.states.update(a="sleeping", b="locked up")
    assert bench.read(0x100) == 0x21


def test_interrupt_stays_pending_until_it_is_taken_back() -> None:
    """Each bit is an interrupt of the receiver: set once, pending until cleared, then no more."""
    described = (
        InterCoreInterrupt(sender="a", receiver="b", set_at=0x100, clear_at=0x104, interrupt=8, mask=0xF),
    )
    bench = Bench(interrupts=described)
    bench.write(0x100, 0x5)
    bench.write(0x100, 0x1)
    assert bench.pending == [("b", 8, True), ("b", 10, True)]
    assert bench.read(0x104, core="b") == 0x5
    bench.write(0x104, 0x4, core="b")
    assert bench.pending[2:] == [("b", 10, False)]
    bench.write(0x100, 0xF0)
    assert bench.read(0x104) == 0x1


def test_shared_line_is_pending_while_any_bit_is() -> None:
    """With one line for all bits the interrupt goes away with the last of them."""
    described = (
        InterCoreInterrupt(
            sender="a",
            receiver="b",
            set_at=0x100,
            clear_at=0x104,
            pending_at=0x108,
            interrupt=3,
            shared_line=True,
        ),
    )
    bench = Bench(interrupts=described)
    bench.write(0x100, 0x3)
    bench.write(0x104, 0x1)
    assert bench.pending[-1] == ("b", 3, True)
    bench.write(0x104, 0x2)
    assert bench.pending[-1] == ("b", 3, False)
    assert bench.read(0x108) == 0


def test_mutex_is_taken_by_a_read_and_given_back_by_a_write() -> None:
    """Only one core has the lock, only that one gives it back, and who waited is known."""
    bench = Bench(mutexes=(MutexRegister(at=0x100, taken=1, busy=0),))
    assert bench.read(0x100, core="a") == 1
    assert bench.read(0x100, core="b") == 0
    assert bench.read(0x100, core="a") == 0
    bench.write(0x100, 0, core="b")
    assert bench.events[-1] == ("lock-not-held", {"register": 0x100}, {"holder": "a"})
    bench.write(0x100, 0, core="a")
    assert bench.read(0x100, core="b") == 1


def test_serial_text_is_told_by_lines_and_kept_to_a_limit() -> None:
    """Each line is an event; what exceeds the limit is dropped."""
    bench = Bench(serial=(SerialRegister(at=0x100, name="port"),))
    for character in b"one\ntwo":
        bench.write(0x100, character)
    assert [words["line"] for kind, _, words in bench.events if kind == "text"] == ["one"]
    assert bench.registers.serial.texts == {"port": "one\ntwo"}
    for _ in range(MAX_TEXT):
        bench.write(0x100, 0x41)
    assert len(bench.registers.serial.texts["port"]) == MAX_TEXT


KEY = {"key_mask": 0xFFFF_0000, "key_value": 0x5AFE_0000}


class Watch:
    """A release watch with what it reports and starts."""

    def __init__(self, mask: int = 0x1, value: int = 0x1, key_mask: int = 0, key_value: int = 0) -> None:
        self.kinds: list[str] = []
        self.started: list[tuple[str, int]] = []
        plan = ReleasePlan(0x10, 0x14, mask, value, key_mask, key_value, None)
        self.watch = ReleaseWatch(
            "b", plan, lambda kind, *_: self.kinds.append(kind), lambda *start: self.started.append(start)
        )

    def vector(self, value: int) -> None:
        self.watch.write_vector("a", value, 0xFFFF_FFFF)

    def control(self, value: int, mask: int = 0xFFFF_FFFF) -> None:
        self.watch.write_control("a", value & mask, mask)


def test_release_starts_the_core_with_the_address_written() -> None:
    """The core starts once, with what the vector register held at the release."""
    watch = Watch()
    watch.vector(0x1000)
    watch.control(0x1)
    watch.control(0x1)
    assert watch.started == [("b", 0x1000)]


def test_release_without_vectors_starts_at_zero() -> None:
    """Without a write to the vector register that reads zero, and so it is known."""
    watch = Watch()
    watch.control(0x1)
    assert watch.started == [("b", 0)]
    assert watch.watch.vector is None


def test_held_back_by_a_set_bit() -> None:
    """Where zero means run, the register reads one before and clearing it releases; other bits do nothing."""
    watch = Watch(mask=0x2, value=0x0)
    assert watch.watch.read_control("a") == 0x2
    watch.vector(0x1000)
    watch.control(0x3)
    assert watch.started == []
    watch.control(0x1)
    assert watch.started == [("b", 0x1000)]


def test_key_belongs_into_the_same_write() -> None:
    """Without the key nothing happens and it is told of; with it the core starts, and the key is not held."""
    watch = Watch(**KEY)
    watch.vector(0x1000)
    watch.control(0x1)
    watch.control(0x5AFE_0000)
    assert watch.started == []
    assert watch.kinds.count("release-without-key") == 1
    watch.control(0x5AFE_0001)
    assert watch.started == [("b", 0x1000)]
    assert watch.watch.read_control("a") == 0x1


def test_halfword_write_cannot_hold_the_key() -> None:
    """A half-word with the release alone is a write without its key."""
    watch = Watch(**KEY)
    watch.vector(0x1000)
    watch.control(0x1, mask=0xFFFF)
    assert watch.started == []
    assert "release-without-key" in watch.kinds


def test_holding_back_again_and_late_vectors_are_told() -> None:
    """What comes after the release does not start anything again, and is told of."""
    watch = Watch()
    watch.vector(0x1000)
    watch.control(0x1)
    watch.vector(0x2000)
    watch.control(0x0)
    assert watch.kinds[-2:] == ["vector-after-release", "held-back-again"]
    assert len(watch.started) == 1
