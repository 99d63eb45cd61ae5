"""The emulator's library, called directly: run, count, stop, registers, memory-mapped registers, translations.

The library's own Python wrapper costs several microseconds a call, and neither it nor the C interface gives
the number of instructions executed or lets a callback end the run after the current instruction.  Both are
two words of the library's state: the count of instructions and its limit, side by side.  Where they are is
measured (``_place_of_counters``), once in a process, not assumed; a library in which they are not found is refused.

Each store to a page that code may run from makes the library look whether it changes translated code, which takes
three times as long as the store.  So a page is executable for the library only once the core fetches from it.
"""

from __future__ import annotations

import ctypes
import functools
import struct
from collections.abc import Callable, Iterable, Sequence
from typing import Any, ClassVar

from gemel.spans import Span

PAGE = 0x1000
THUMB_STATUS = 1 << 24
"""The bit of the program status that every M-profile core has set."""

_HIGHEST_SCRATCH = 0x9FFF_F000
"""The last page of the addresses from which an M-profile core executes."""

CLEAR_EXCLUSIVE, WRITE_LIMITS = 0x00, 0x10
_SCRATCH_CODE = {CLEAR_EXCLUSIVE: bytes.fromhex("bff32f8f"), WRITE_LIMITS: bytes.fromhex("80f30a8881f30b88")}
_ENDLESS = bytes.fromhex("fee7")
_FLOAT_CONTEXT, _KEEP_FLOAT = 0xC000_0004, 1 << 31
"""FPCCR of the library's cores with a float unit after a reset, and its bit ASPEN."""
_STATES = 2
"""FPCCR and FPDSCR are kept for Non-secure state, which is that of a core without security, then for Secure state."""
_SEARCHED = 1 << 14
"""Bytes of the library's state that are searched for the counters."""


class _Translation(ctypes.Structure):
    """Where a page is and what may be done with it, as the library's ``uc_tlb_entry``."""

    _fields_ = (("page", ctypes.c_uint64), ("permissions", ctypes.c_uint32))


_ReadFunction = ctypes.CFUNCTYPE(
    ctypes.c_uint64, ctypes.c_void_p, ctypes.c_uint64, ctypes.c_uint, ctypes.c_void_p
)
_WriteFunction = ctypes.CFUNCTYPE(
    None, ctypes.c_void_p, ctypes.c_uint64, ctypes.c_uint, ctypes.c_uint64, ctypes.c_void_p
)


_FillFunction = ctypes.CFUNCTYPE(
    ctypes.c_bool,
    ctypes.c_void_p,
    ctypes.c_uint64,
    ctypes.c_int,
    ctypes.POINTER(_Translation),
    ctypes.c_void_p,
)
_AccessFunction = ctypes.CFUNCTYPE(
    None,
    ctypes.c_void_p,
    ctypes.c_int,
    ctypes.c_uint64,
    ctypes.c_int,
    ctypes.c_int64,
    ctypes.c_void_p,
)
block_function = ctypes.CFUNCTYPE(None, ctypes.c_void_p, ctypes.c_uint64, ctypes.c_uint32, ctypes.c_void_p)
MAX_FILLS = 1000
"""Translations after which the library's table is emptied, which makes it larger."""


class UnknownLibrary(ImportError):
    """The emulator's library is not one whose counters are known."""


class RegisterGroup:
    """Registers that are read or written in one call.

    The calls are bound to what they are always given: that takes half of the time.
    """

    def __init__(self, native: Native, numbers: Sequence[int]) -> None:
        count = len(numbers)
        self._numbers = (ctypes.c_int * count)(*numbers)
        self._values = (ctypes.c_uint32 * (2 * count))()
        first = ctypes.addressof(self._values)
        self._pointers = (ctypes.c_void_p * count)(*range(first, first + 8 * count, 8))
        given = [ctypes.c_void_p(ctypes.addressof(each)) for each in (self._numbers, self._pointers)]
        arguments = ctypes.c_void_p(native.handle), *given, ctypes.c_int(count)
        self._read = functools.partial(native.library.uc_reg_read_batch, *arguments)
        self.write_again = functools.partial(native.library.uc_reg_write_batch, *arguments)
        """Write the values that were written or read last; for as long as the group is kept."""

    def read(self) -> list[int]:
        """The values, in the order given."""
        self._read()
        return self._values[::2]

    def write(self, values: Sequence[int]) -> None:
        """Write the values, in the order given."""
        self._values[::2] = list(values)
        self.write_again()


class Native:
    """One core of the emulator's library."""

    counters_at: ClassVar[int | None] = None
    """How far into the library's state its counters are, once that is measured: the same for all its cores."""

    def __init__(self, model: int, taken: Sequence[Span]) -> None:
        """``model`` is the library's number of a core, ``taken`` the addresses that the core uses.

        A page elsewhere holds single instructions that only the emulation executes.  Raises UnknownLibrary.
        """
        import unicorn
        from unicorn import arm_const
        from unicorn.unicorn_py3 import unicorn as wrapper

        untyped: Any = unicorn
        engine: Any = untyped.Uc(unicorn.UC_ARCH_ARM, unicorn.UC_MODE_THUMB, model)
        self.uc: Any = engine
        self.handle = int(engine._uch.value)
        self.failure: BaseException | None = None
        self.runs = 0
        self.float_context = True, 0
        self._stops_before = False
        library = self.library = ctypes.CDLL(wrapper.uclib._name)
        pointer, word, size = ctypes.c_void_p, ctypes.c_uint64, ctypes.c_size_t
        self._start = library.uc_emu_start
        self._start.argtypes = [pointer, word, word, word, size]
        self._map = library.uc_mmio_map
        self._map.argtypes = [pointer, word, word, _ReadFunction, pointer, _WriteFunction, pointer]
        self._no_block = self.group(arm_const.UC_ARM_REG_EPSR)
        self._no_block.write((THUMB_STATUS,))
        self.clear_if_then = self._no_block.write_again
        """From a callback about a data access: take back what the library does to the if-then state.

        For the callback it restores the state that the block had at the access, and leaves it so: the next
        block would then begin as if it stood in an if-then block (unicorn 2.1.4).
        """
        self._functions: list[Any] = []
        self._hooked: dict[int, Any] = {}
        self._unicorn: Any = unicorn
        self._fills, self._unmapping = 0, False
        self._scratch = _HIGHEST_SCRATCH
        while any(span.overlaps(Span(self._scratch, PAGE)) for span in taken):
            self._scratch -= PAGE
        self.uc.mem_map(self._scratch, PAGE, unicorn.UC_PROT_ALL)
        for offset, code in _SCRATCH_CODE.items():
            self.uc.mem_write(self._scratch + offset, code + _ENDLESS)
        self._find_counters()
        self._find_limits()
        self.uc.mem_protect(self._scratch, PAGE, unicorn.UC_PROT_EXEC)
        self.uc.ctl_exits_enabled(True)
        self._add = library.uc_hook_add
        self._delete = library.uc_hook_del
        self._delete.argtypes = [pointer, size]
        self._add.argtypes = [pointer, pointer, ctypes.c_int, pointer, pointer, word, word]
        self._translate()

    def unmap(self, span: Span) -> None:
        """Take a mapping away; the library fetches from its pages to find translated code there."""
        self._unmapping = True
        self.uc.mem_unmap(span.start, span.size)
        self._unmapping = False

    def group(self, *numbers: int) -> RegisterGroup:
        """A group of registers by the library's numbers."""
        return RegisterGroup(self, numbers)

    # -- running -----------------------------------------------------------------------------------

    def run(self, address: int, count: int) -> tuple[int, int]:
        """Execute up to ``count`` instructions from ``address``.

        Returns how many began before the one where it stopped, and the library's error number.  The
        instruction at which an error or a callback ends the run counts as begun.
        """
        self.runs += 1
        if self._fills > MAX_FILLS:
            self._fills = 0
            self.uc.ctl(self._unicorn.UC_CTL_TLB_FLUSH, self._unicorn.UC_CTL_IO_WRITE)
        error = int(self._start(self.handle, address | 1, 0, 0, count))
        if self.failure is not None:
            failure, self.failure = self.failure, None
            raise failure
        begun = self.counter.value
        if self._stops_before:
            self._stops_before = False
            return begun - 1, error
        return (begun - 1 if begun > self._limit.value else begun), error

    @property
    def begun(self) -> int:
        """Instructions begun in this run; from a callback, the current one included."""
        return int(self.counter.value)

    def stop_before(self) -> None:
        """From a callback of ``at_instruction``: end the run before that instruction."""
        self._stops_before = True
        self.uc.emu_stop()

    def stop_soon(self) -> None:
        """From a callback: end the run after the current instruction (after its if-then block)."""
        self._limit.value = self.counter.value

    def counted_out(self) -> bool:
        """Whether the last run ended by its count or ``stop_soon``."""
        return bool(self.counter.value > self._limit.value)

    def execute_scratch(self, offset: int, count: int = 1) -> None:
        """Execute instructions of the scratch page."""
        self._start(self.handle, self._scratch + offset | 1, 0, 0, count)

    def _translate(self) -> None:
        """Answer which pages are executable: those that the core has fetched from; every address is its own."""
        u, code = self._unicorn, set[int]()
        fetch, data_permissions, all_permissions = (
            u.UC_MEM_FETCH,
            u.UC_PROT_READ | u.UC_PROT_WRITE,
            u.UC_PROT_ALL,
        )

        def fill(uc: int, page: int, access: int, result: Any, data: object) -> bool:
            self._fills += 1
            if access != fetch:
                self.clear_if_then()
            elif not self._unmapping:
                code.add(page)
            found = result[0]
            found.page, found.permissions = (
                page,
                all_permissions if access == fetch or page in code else data_permissions,
            )
            return True

        function, hook = _FillFunction(fill), ctypes.c_size_t()
        self._functions.append(function)
        self.uc.ctl_set_tlb_mode(u.UC_TLB_VIRTUAL)
        if self._add(self.handle, ctypes.byref(hook), u.UC_HOOK_TLB_FILL, function, None, 1, 0):
            raise UnknownLibrary("this version of unicorn asks nobody for translations; 2.1.4 is known")

    def at_blocks(self, starts: Iterable[int], function: Callable[..., None]) -> list[int]:
        """Call a ``block_function`` before the blocks of code that begin at ``starts``; not from a callback.

        The library's numbers of the hooks, for ``unhook``.
        """
        hook, hooks = ctypes.c_size_t(), []
        for at in starts:
            self.uc.ctl_remove_cache(at, at + 2)
            self._add(self.handle, ctypes.byref(hook), self._unicorn.UC_HOOK_BLOCK, function, None, at, at)
            hooks.append(hook.value)
        return hooks

    def at_instruction(self, at: int, function: Callable[..., None]) -> int:
        """Call a ``block_function`` before the instruction at ``at``, as ``at_blocks`` does before blocks."""
        hook = ctypes.c_size_t()
        self.uc.ctl_remove_cache(at, at + 2)
        self._add(self.handle, ctypes.byref(hook), self._unicorn.UC_HOOK_CODE, function, None, at, at)
        return hook.value

    def at_accesses(
        self, kinds: int, callback: Callable[..., Any], data: object = None, span: Span | None = None
    ) -> int:
        """Call ``callback(uc, access, address, size, value, data)`` at accesses of ``kinds`` to ``span`` (None: all).

        An exception in it ends the run, which raises it.  The library's number of the hook, for ``unhook``.
        """
        clear_if_then = self.clear_if_then

        def called(uc: int, access: int, address: int, size: int, value: int, _: object) -> None:
            try:
                callback(uc, access, address, size, value, data)
                clear_if_then()
            except BaseException as error:
                self.failure = error
                self.stop_soon()

        hook, function = ctypes.c_size_t(), _AccessFunction(called)
        begin, end = (span.start, span.last) if span else (1, 0)
        self._add(self.handle, ctypes.byref(hook), kinds, function, None, begin, end)
        self._hooked[hook.value] = function
        return hook.value

    def unhook(self, hook: int) -> None:
        """Take away a hook of ``at_accesses``, ``at_blocks`` or ``at_instruction``; not from a callback."""
        self._delete(self.handle, hook)
        self._hooked.pop(hook, None)

    def _find_counters(self) -> None:
        if Native.counters_at is None:
            Native.counters_at = self._place_of_counters()
        at = self.handle + Native.counters_at
        self.counter = ctypes.c_size_t.from_address(at)
        self._limit = ctypes.c_size_t.from_address(at + ctypes.sizeof(ctypes.c_size_t))

    def _place_of_counters(self) -> int:
        """Find the words that hold the count and its limit, by two runs of known length."""
        places = set(range(0, _SEARCHED, 8))
        for count in (54_321, 7_919):
            self.uc.emu_start(self._scratch + 5, 0, count=count)
            state = ctypes.string_at(self.handle, _SEARCHED)
            pair = struct.pack("@NN", count + 1, count)
            places = {at for at in places if state[at : at + len(pair)] == pair}
        if len(places) != 1:
            raise UnknownLibrary("this version of unicorn keeps its counters elsewhere; 2.1.4 is known")
        return places.pop()

    def _find_limits(self) -> None:
        """Find the stack limit registers in a saved context, where they are whatever the code may read."""
        from unicorn import arm_const

        self._limit_values = self.group(arm_const.UC_ARM_REG_R0, arm_const.UC_ARM_REG_R1)
        limits = (0x5AA5_1238, 0x6996_4560)
        self._limit_values.write(limits)
        self.execute_scratch(WRITE_LIMITS, 2)
        self._limit_values.write((0, 0))  # else they would be found there
        self._context = self.uc.context_save()
        at = self._context.context.value
        places = [
            ctypes.string_at(at, self._context.size).find(limit.to_bytes(4, "little")) for limit in limits
        ]
        self._limits = [ctypes.c_uint32.from_address(at + place) for place in places if place >= 0]
        floats = ctypes.string_at(at, self._context.size).find(_FLOAT_CONTEXT.to_bytes(4, "little"))
        self._float_context = (
            (ctypes.c_uint32 * (2 * _STATES)).from_address(at + floats - 4) if floats >= 0 else None
        )
        self.clear_stack_limits()

    def stack_limits(self) -> tuple[int, int]:
        """The limit registers of the main and the process stack; zeros where the core has none."""
        self.uc.context_update(self._context)
        main, process = (limit.value for limit in self._limits) if self._limits else (0, 0)
        return main, process

    def set_float_context(self, marked: bool, settings: int) -> None:
        """Whether a float instruction sets CONTROL.FPCA, as after a reset, and FPSCR then; not from a callback."""
        self.float_context = marked, settings
        if self._float_context is not None:
            self.uc.context_update(self._context)
            context = _FLOAT_CONTEXT if marked else _FLOAT_CONTEXT & ~_KEEP_FLOAT
            for state in range(_STATES):
                self._float_context[state], self._float_context[_STATES + state] = context, settings
            self.uc.context_restore(self._context)

    def clear_stack_limits(self) -> None:
        """Both limit registers as after a reset; R0 and R1 are zero then, and the core must be privileged."""
        self._limit_values.write((0, 0))
        self.execute_scratch(WRITE_LIMITS, 2)

    # -- memory-mapped registers ---------------------------------------------------------------------

    def map_registers(
        self, start: int, size: int, read: Callable[[int, int], int], write: Callable[[int, int, int], None]
    ) -> None:
        """Answer accesses to ``size`` bytes (whole pages) at ``start``.

        ``read(offset, size)`` gives the value, ``write(offset, size, value)`` takes it.  An exception in them
        ends the run, which raises it.
        """

        def on_read(uc: int, offset: int, width: int, data: object) -> int:
            try:
                return read(offset, width)
            except BaseException as error:
                self.failure = error
                self.stop_soon()
                return 0

        def on_write(uc: int, offset: int, width: int, value: int, data: object) -> None:
            try:
                write(offset, width, value)
            except BaseException as error:
                self.failure = error
                self.stop_soon()

        functions = _ReadFunction(on_read), _WriteFunction(on_write)
        self._functions += functions
        if self._map(self.handle, start, size, functions[0], None, functions[1], None):
            raise ValueError(f"registers at {start:#x} cannot be mapped")
