"""Names for addresses: function and, where the build holds line tables, source line."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from gemel.builds.build import Build
from gemel.builds.dwarf.lines import LineTable
from gemel.builds.elf.symbol_entries import Symbol
from gemel.builds.source import ByteSource
from gemel.inspection.cores.vector_tables import likely_tables
from gemel.inspection.cores.views import whereabouts
from gemel.inspection.inspection import Inspection
from gemel.inspection.ram.reserves import reserves_of
from gemel.layout.addresses import locate, starts_of
from gemel.m_profile.fault_registers import meaning_of, system_register
from gemel.m_profile.memory_map import DEVICE_REGIONS, OWN_REGISTERS, region_of
from gemel.m_profile.vector_tables import handler_names
from gemel.rehearsal.result import Place
from gemel.spans import Span, format_address, without
from gemel.text.demangled import demangled

BLOCK = 1 << 16
"""Bytes of the block of registers that a layout is to describe where code accesses one of them."""


def _device(number: int) -> str:
    return "device" if number == 1 else f"device-{number}"


class CodeNames:
    """Names for the addresses that one image's cores execute.

    ``sources`` are the builds' ELF files, for source lines; without them there are none.
    """

    def __init__(self, inspection: Inspection, sources: Mapping[str, ByteSource]) -> None:
        self._inspection, self._sources = inspection, sources
        self._lines: dict[str, LineTable] = {}
        self.notes: list[str] = []
        plan = inspection.layout.rehearsal
        self._registers = {address: name for name, address in (plan.register_names if plan else {}).items()}

    def builds_of(self, core: str) -> list[tuple[str, Build]]:
        """The given builds that a core runs."""
        placements, layout = self._inspection.placements, self._inspection.layout
        return [(name, each.build) for name, each in placements.items() if layout.builds[name].core == core]

    def _builds_at(self, core: str, address: int) -> Iterator[tuple[str, Build]]:
        """The builds that may define the code there: the core's, and others' where those cores see the same byte."""
        layout = self._inspection.layout
        yield from self.builds_of(core)
        for other in layout.cores:
            if other != core and locate(layout, address, other) == locate(layout, address, core):
                yield from self.builds_of(other)

    def function(self, core: str, address: int) -> str:
        """``name`` or ``name + 12``; empty where no given build shows."""
        name, offset = self._function(core, address)
        return f"{name} + {offset}" if name and offset else name

    def function_name(self, core: str, address: int) -> str:
        """The function alone."""
        return self._function(core, address)[0]

    def handler_name(self, core: str, address: int, exception: int) -> str:
        """The function that is the handler of ``exception``; of several names one that fits it, or any exception."""
        found, known = self._symbol(core, address), handler_names()
        if found is None or known.get(found[0].name, exception) == exception:
            return self.function_name(core, address)
        symbols = (each for _, build in self.builds_of(core) for each in build.all_symbols)
        same = (each.name for each in symbols if each.kind == "function" and each.address == found[0].address)
        return min(same, key=lambda name: (known.get(name) != exception, name in known))

    def _function(self, core: str, address: int) -> tuple[str, int]:
        found = self._symbol(core, address)
        return (demangled(found[0].name), found[1]) if found else ("", 0)

    def _symbol(self, core: str, address: int) -> tuple[Symbol, int] | None:
        found = (
            each.symbols.function_at(address) for _, each in self._builds_at(core, address) if each.symbols
        )
        return next((each for each in found if each), None)

    def functions(self, core: str, addresses: Iterable[int]) -> set[str]:
        """The functions at these addresses, without the labels inside of assembly."""
        found = [each[0] for address in addresses if (each := self._symbol(core, address))]
        return {demangled(each.name) for each in found if each.kind == "function"}

    def function_count(self, core: str) -> int:
        """How many functions the core's builds define."""
        names = set()
        for _, build in self.builds_of(core):
            for symbol in build.all_symbols:
                if symbol.kind == "function" and symbol.defined:
                    names.add(symbol.address)
        return len(names)

    def place(self, core: str, address: int, source: bool = False) -> Place:
        """The place, with its source line if requested."""
        line = self._source(core, address) if source else ""
        return Place(address, format_address(address), self.function(core, address), line)

    def likely_tables(self, core: str) -> list[int]:
        """Plain addresses in the image at which something starts that could be the core's vector table."""
        plans = [plan for plan in self._inspection.layout.builds.values() if plan.core == core]
        return [each for plan in plans for each in likely_tables(self._inspection, plan)]

    def shared_address(self, area: str, offset: int) -> str:
        """A place in an area, as a plain address with the area's name."""
        address = self._inspection.layout.span_of(area).start + offset
        return f"{format_address(address)} ({area} + {offset})"

    def register(self, address: int) -> str:
        """A device register: its plain address, and its name where the layout has one."""
        name = self.register_name(address) or system_register(address)
        return f"{format_address(address)} ({name})" if name else format_address(address)

    def register_name(self, address: int) -> str:
        """The name that the layout gives a device register; empty if none."""
        return self._registers.get(address, "")

    def what_is_at(self, core: str, address: int) -> str:
        """What the core sees at a data address: area, memory or nothing."""
        if OWN_REGISTERS.holds(address):
            return meaning_of(address)
        return whereabouts(self._inspection, core, address)

    def how_to_describe(self, core: str, address: int) -> str:
        """What to add to the layout where a core accesses what is in no memory of it.

        Registers in lines that serve as they are, for the block of ``BLOCK`` bytes or what is free of it; for memory
        the one that ends before, whose size may be wrong.
        """
        layout = self._inspection.layout
        if region_of(DEVICE_REGIONS, address) is None:
            below = [
                (start + memory.size, memory.name)
                for memory in layout.memories.values()
                for start in starts_of(memory, core)
                if start + memory.size <= address < start + 2 * memory.size
            ]
            if below:
                end, name = max(below)
                return f"correct the size of memory {name} in the layout, which ends at {format_address(end - 1)}"
            return "describe the memory there in the layout: [memory.NAME]"
        block = Span(address & -BLOCK, BLOCK)
        taken = [
            Span(start, each.size) for each in layout.memories.values() for start in starts_of(each, core)
        ]
        free = next((span for span in without([block], taken) if span.holds(address)), block)
        number = next(n for n in range(1, len(layout.memories) + 2) if _device(n) not in layout.memories)
        return (
            f"add to the layout, with the span from the data sheet:\n[memory.{_device(number)}]\n"
            f'kind = "device"\nstart = {format_address(free.start)}\nsize = {format_address(free.size)}'
        )

    def copy_ending_at(self, core: str, address: int) -> tuple[str, str, int] | None:
        """The build whose RAM area ends before ``address`` as ``core`` sees it, that area and its size."""
        layout = self._inspection.layout
        located = locate(layout, address, core)
        for name, plan in layout.builds.items():
            if located and plan.runs_in and plan.core != core:
                span = layout.span_of(plan.runs_in)
                if span.end == located.plain:
                    return name, plan.runs_in, span.size
        return None

    def variable(self, core: str, address: int) -> str:
        """The variable of the core's builds that holds ``address``; empty if none is known."""
        found = self.variable_at(core, address)
        if found is None:
            return self.register_name(address)
        offset = address - found[1].start
        return f"{found[0]} + {offset}" if offset else found[0]

    def variable_at(self, core: str, address: int) -> tuple[str, Span] | None:
        """The name and addresses of the variable that holds ``address``; None if none is known."""
        for _, build in self.builds_of(core):
            for symbol in build.all_symbols:
                # GCC without optimisation gives local variables a size and no type.
                data = symbol.kind in ("object", "notype") and symbol.size and symbol.defined
                if data and symbol.span.holds(address):
                    return symbol.name, symbol.span
        return None

    def stack_at(self, core: str, address: int) -> tuple[str, Span] | None:
        """The same for a stack, which may be a section or what symbols set aside, too."""
        reserves = (each for _, build in self.builds_of(core) for each in reserves_of(build))
        stacks = (
            (each.named_by, each.span) for each in reserves if each.kind == "stack" and not each.by_size
        )
        return self.variable_at(core, address) or next(
            (each for each in stacks if each[1].holds(address)), None
        )

    def _source(self, core: str, address: int) -> str:
        for name, build in self._builds_at(core, address):
            covered = name in self._sources and build.segment_at_run(address)
            if covered and (found := self._lines_of(name).at(address)):
                return found
        return ""

    def _lines_of(self, name: str) -> LineTable:
        if name not in self._lines:
            self._lines[name] = self._read_lines(name)
        return self._lines[name]

    def _read_lines(self, name: str) -> LineTable:
        debug = self._inspection.placements[name].build.debug
        if debug is None:
            return LineTable([], "")
        table = debug.lines()
        if table.damaged:
            self.notes.append(f"some source lines of build {name} are not shown: {table.damaged}")
        return table
