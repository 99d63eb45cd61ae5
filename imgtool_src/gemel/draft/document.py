"""A draft as the text of a layout: every key with the reason for its value, and questions for the rest."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Mapping

from gemel.draft.cores import BootConstant
from gemel.draft.drafting import Draft
from gemel.draft.evidence import Evidence
from gemel.draft.places import AreaGuess, MemoryGuess
from gemel.draft.security import CALLABLE
from gemel.m_profile.architectures import EXTENSIONS_OF
from gemel.spans import format_address, format_size, merge, without
from gemel.text.escaping import toml_string

COLUMN = 32
"""Where the reasons begin behind a key."""

WIDTH = 110
ASK = "ask:"


class Page:
    """Lines of TOML, each key with a comment beside or above it."""

    def __init__(self) -> None:
        self.lines: list[str] = []

    def remark(self, text: str, indent: str = "# ") -> None:
        """A comment of its own, in as many lines as it takes."""
        self.lines += textwrap.wrap(
            text, WIDTH, initial_indent="# ", subsequent_indent=indent, break_on_hyphens=False
        )

    def table(self, header: str, comment: str = "") -> None:
        """A blank line and a header, its reason beside it if there is room, else above."""
        self.lines.append("")
        self._beside(f"[{header}]", comment)

    def key(self, name: str, value: str, comment: str = "") -> None:
        """A key with its value as TOML writes it."""
        self._beside(f"{name} = {value}", comment)

    def unset(self, name: str, example: str, question: str) -> None:
        """A key that nobody can guess: commented out, with the question that it answers."""
        self._beside(f"# {name} = {example}".rstrip(), f"{ASK} {question}")

    def blank(self) -> None:
        """An empty line."""
        self.lines.append("")

    def text(self) -> str:
        """Everything written, the last line ended."""
        return "".join(f"{line}\n" for line in self.lines)

    def _beside(self, left: str, comment: str) -> None:
        """``comment`` behind ``left``, continued below itself; above it where ``left`` is long."""
        if not comment:
            self.lines.append(left)
        elif len(left) >= COLUMN:
            self.remark(comment)
            self.lines.append(left)
        else:
            room = " " * COLUMN + "# "
            first, *others = textwrap.wrap(comment, WIDTH - len(room), break_on_hyphens=False)
            self.lines.append(f"{left:<{COLUMN}}# {first}")
            self.lines += [f"{room}{line}" for line in others]


def document(draft: Draft, paths: Mapping[str, str]) -> str:
    """The layout as text; ``paths`` are the builds' files as the layout shall name them, if it shall."""
    page = Page()
    _head(page, draft)
    _memories(page, draft)
    for seen in draft.seen:
        if seen.name in draft.cores:
            _core(page, draft, seen)
    _areas(page, draft)
    _builds(page, draft, paths)
    _contracts(page, draft)
    _checksums(page, draft)
    _record(page, draft)
    return page.text()


def _head(page: Page, draft: Draft) -> None:
    files = _listed([f"{seen.name} ({seen.file})" for seen in draft.seen])
    page.remark(f"A first layout, drafted by gemel from the builds {files}.")
    page.remark(
        "Beside each value stands what it was guessed from. Hold every one against the data sheet, and "
        f'answer the lines that begin with "{ASK}"; `gemel explain layout` tells what each key means.'
    )
    for seen in draft.seen:
        if seen.build.kind != "elf":
            page.remark(
                f"{seen.file} is no ELF file: it tells no RAM, no symbols and no architecture, so "
                f"much about {seen.name} is guessed from its vector table alone. An ELF file tells more."
            )
        elif seen.vectors is None:
            page.remark(f"No vector table was found in {seen.file}: no core can start from it.")
    page.blank()
    page.key("format", "1")
    product = "-".join(seen.name for seen in draft.seen)[:31]
    page.key("product", f'"{product}"', f"from the builds' names; {ASK} what is the product called?")
    page.key("version", '"0.1.0"', "nothing told; the command line's --version overrides it")


def _memories(page: Page, draft: Draft) -> None:
    for memory in draft.places.memories:
        page.table(f"memory.{memory.name}")
        page.key("kind", f'"{memory.kind}"')
        page.key("start", format_address(memory.span.start), memory.start_from)
        page.key("size", _size(memory.span.size), memory.size_from)
        if memory.aliases:
            aliases = ", ".join(map(format_address, memory.aliases))
            page.key("aliases", f"[{aliases}]", _alias_words(draft, memory))
        if memory.kind == "flash":
            page.unset("erase_block", '"4 KiB"', "how much is erased at once?")
            page.unset("write_unit", "8", "how many bytes are programmed at once?")
        _views(page, draft, memory)


def _alias_words(draft: Draft, memory: MemoryGuess) -> str:
    low = [user for user in memory.users if user in draft.security.callers]
    high = dict.fromkeys(draft.security.callers[user] for user in low)
    return (
        f"a guess: {_listed(high)} uses it with bit 28 of its addresses set, {_listed(low)} with it clear; "
        f"{ASK} is it one memory?"
    )


def _views(page: Page, draft: Draft, memory: MemoryGuess) -> None:
    """The question of other addresses, where a secondary alone uses a memory by an address of its own."""
    users = list(dict.fromkeys(map(draft.security.core_of, memory.users)))
    if memory.kind == "device" or draft.primary.name in users or not users:
        return
    for user in users[:1]:
        question = f"where does {draft.primary.name} see it? start is that address, and this one the view:"
        page.unset("views", f"{{ {user} = {format_address(memory.span.start)} }}", question)


def _core(page: Page, draft: Draft, seen: Evidence) -> None:
    core = draft.cores[seen.name]
    primary = seen.name == draft.primary.name
    page.table(f"core.{seen.name}")
    if primary:
        page.key("role", '"primary"', draft.primary.reason)
    else:
        page.key("role", '"secondary"', f"{draft.primary.name} is the primary")
    page.key("architecture", f'"{core.architecture}"', core.architecture_from)
    extensions = ", ".join(f'"{name}"' for name in core.extensions)
    page.key("extensions", f"[{extensions}]", core.extensions_from)
    question = 'has it an MPU ("mpu"), the security extension ("security")? No build tells.'
    if "security" in core.extensions:
        question = 'has it an MPU ("mpu")? No build tells.'
    page.remark(f"{ASK} {question}")
    _perhaps_non_secure(page, draft, seen)
    page.key("interrupts", str(core.interrupts), core.interrupts_from)
    ram = ", ".join(f'"{area.name}"' for area in draft.ram_of(seen.name))
    page.key("ram", f"[{ram}]", "" if ram else "nothing told of any")
    for member in draft.members(seen.name):
        _conflicts(page, draft, member)
    areas = draft.stored_in(seen.name)
    if primary and areas:
        vectors = areas[0].span.start + _vector_offset(seen, areas[0], draft.runs_in(seen.name))
        if vectors != min(area.span.start for area in areas):
            page.key("reset_vectors", format_address(vectors), "where its vector table is")
    if not primary:
        _release(page, draft, seen)


def _perhaps_non_secure(page: Page, draft: Draft, seen: Evidence) -> None:
    """The question whether a build that calls no gateway runs on the core of a secure one all the same."""
    able = "security" in EXTENSIONS_OF[draft.cores[seen.name].architecture]
    if not able or not draft.security.secure or seen.name in draft.security.secure:
        return
    secure = next(iter(draft.security.secure))
    page.remark(
        f"{ASK} is {seen.name} the non-secure part of {secure}'s core? It calls no gateway. If so, write "
        f'core = "{secure}" in [build.{seen.name}] and security = "non-secure" in its areas, move its ram '
        f"to [core.{secure}], and remove this core."
    )


def _conflicts(page: Page, draft: Draft, seen: Evidence) -> None:
    """RAM that a build named before claims too, and that no common name explains."""
    common = [shared.span for shared in draft.shared]
    for other in draft.seen[: draft.seen.index(seen)]:
        claims = without(other.ram, common)
        both = merge(one.intersection(claim) for one in seen.ram for claim in claims)
        if both:
            spans = ", ".join(map(str, both[:4]))
            page.remark(f"{ASK} {other.name} claims {spans} too; whose is it? Here {other.name} has it.")


def _release(page: Page, draft: Draft, seen: Evidence) -> None:
    """The release as a block to be filled in: no build says which registers these are."""
    page.blank()
    page.remark(
        f"How {draft.primary.name} releases {seen.name}. No build tells; fill in and take the # away:"
    )
    page.lines.append(f"# [core.{seen.name}.release]")
    page.unset("vector_register", "", f"which register takes the address of {seen.name}'s vector table?")
    page.unset("control_register", "", f"which register holds {seen.name} back, and lets it go?")
    page.unset("release_mask", "", "which of its bits matter?")
    page.unset("release_value", "", f"what do these bits read when {seen.name} runs?")


def _areas(page: Page, draft: Draft) -> None:
    starts = {memory.name: memory.span.start for memory in draft.places.memories}
    for area in draft.places.areas:
        page.table(f"area.{area.name}", str(area.span))
        page.remark(f"guessed from: {area.reason}")
        page.key("memory", f'"{area.memory}"')
        page.key("offset", _size(area.span.start - starts[area.memory]))
        page.key("size", _size(area.span.size))
        page.key("purpose", f'"{area.purpose}"')
        if area.security:
            page.key("security", f'"{area.security}"', _security_words(draft, area))


def _security_words(draft: Draft, area: AreaGuess) -> str:
    if area.owner in draft.security.secure and area.security != CALLABLE:
        return draft.security.secure[area.owner]
    return draft.security.calls.get(area.owner, "")


def _builds(page: Page, draft: Draft, paths: Mapping[str, str]) -> None:
    for seen in draft.seen:
        areas = draft.stored_in(seen.name)
        page.table(f"build.{seen.name}")
        page.key("core", f'"{draft.security.core_of(seen.name)}"', draft.security.calls.get(seen.name, ""))
        page.key("stored_in", f'"{areas[0].name}"')
        if further := ", ".join(f'"{area.name}"' for area in areas[1:]):
            veneers = all(area.security == CALLABLE for area in areas[1:])
            page.key(
                "also_stored_in", f"[{further}]", "its veneers" if veneers else "its other bytes lie apart"
            )
        _copies(page, draft, seen)
        if (runs := draft.runs_in(seen.name)) is not None:
            page.key("runs_in", f'"{runs.name}"', _runs_from(seen))
        offset = _vector_offset(seen, areas[0], runs)
        if offset:
            page.key("vector_offset", f"0x{offset:X}", "its vector table is not at the start of its area")
        if seen.name in paths:
            page.key("path", toml_string(paths[seen.name]), "relative to this file")


def _copies(page: Page, draft: Draft, seen: Evidence) -> None:
    """What a build holds at another's place: the draft gives it to the other."""
    for other in draft.seen:
        if other is not seen and draft.primary.name == seen.name:
            both = merge(one.intersection(span) for one in seen.stored for span in other.stored)
            if both:
                spans = ", ".join(map(str, both[:4]))
                page.remark(
                    f"It holds a copy of {other.name} at {spans}, which must equal {other.name} itself."
                )


def _runs_from(seen: Evidence) -> str:
    if seen.build.kind != "elf":
        return "its vector table points there; the exact place is a guess"
    if seen.without_place:
        return f"linked for {format_address(seen.first.run_address)}, without a place in flash"
    stored, runs = seen.first.load_address, seen.first.run_address
    return f"stored at {format_address(stored)}, linked to run at {format_address(runs)}"


def _vector_offset(seen: Evidence, stored: AreaGuess, runs: AreaGuess | None) -> int:
    if seen.vectors is None:
        return 0
    if seen.without_place and runs:
        return seen.vectors.run_address - runs.span.start
    inside = stored.span.holds(seen.vectors.load_address)
    return seen.vectors.load_address - stored.span.start if inside else 0


def _contracts(page: Page, draft: Draft) -> None:
    constants = [constant for constant in draft.primary.constants if constant.symbol]
    areas = [area for area in draft.places.areas if area.purpose == "shared"]
    for index, area in enumerate(areas):
        shared = next(each for each in draft.shared if each.span.overlaps(area.span))
        page.table(f"contract.{area.name}", f"what {_listed(shared.builds)} must agree on")
        page.key("area", f'"{area.name}"')
        if shared.symbols:
            names = ", ".join(toml_string(name) for name in shared.symbols[:32])
            page.key("symbols", f"[{names}]", "both builds have these names at these addresses")
        page.unset("types", '["struct NAME"]', "which types lie here that both compile?")
        if constants and not index:
            _boot_symbol(page, constants)
    if constants and not areas:
        page.blank()
        words = "; ".join(_constant_words(constant) for constant in constants[:4])
        page.remark(f"No shared RAM was found. {words}: name it as boot_symbol of a contract.")


def _boot_symbol(page: Page, constants: list[BootConstant]) -> None:
    first, *others = constants
    symbol = toml_string(first.symbol)
    page.remark(f"guessed from: {_constant_words(first)}")
    for other in others[:4]:
        page.remark(f"or it is another one: {_constant_words(other)}")
    page.key("boot_symbol", f'{{ build = "{first.holder}", symbol = {symbol} }}')


def _constant_words(constant: BootConstant) -> str:
    place = format_address(constant.run_address)
    return f"{constant.symbol} of {constant.holder} at {place} holds {constant.target}'s vector address"


def _checksums(page: Page, draft: Draft) -> None:
    """A checksum over each build's area, to be taken in: what the device checks, no build tells."""
    page.blank()
    page.remark(
        "A checksum in the last word of an area, if the device checks one. "
        f"{ASK} which algorithm, over what, and where is it looked for?"
    )
    for area in (draft.stored_in(seen.name)[0] for seen in draft.seen if draft.stored_in(seen.name)):
        place = f'{{ area = "{area.name}", offset = 0x{area.span.size - 4:X}'
        page.lines += [
            "#",
            "# [[checksum]]",
            f'# name = "{area.name[:19]}-crc"',
            '# algorithm = "CRC-32/ISO-HDLC"',
            f'# over = ["{area.name}"]',
            f"# except = [{place}, size = 4 }}]",
            f"# at = {place} }}",
        ]


def _record(page: Page, draft: Draft) -> None:
    if not any(area.purpose == "record" for area in draft.places.areas):
        page.blank()
        page.remark("There is no room for the record behind the builds; give it an area, then add [record].")
        return
    page.table("record", "tells in the image what is in it; it is optional, and so is its area")
    page.key("area", '"record"')
    page.unset("vendor", '"harbour.example"', "whose product is it? a domain name or a UUID")
    page.unset("class", '"tide gauge"', "for which class of device is it?")


def _size(size: int) -> str:
    """As a layout writes it: ``"32 KiB"`` where that is exact, else bytes."""
    words = format_size(size).partition(" (")[0]
    return f'"{words}"' if words.endswith("iB") else f"0x{size:X}" if size else "0"


def _listed(words: Iterable[str]) -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    *first, last = words
    return f"{', '.join(first)} and {last}" if first else last
