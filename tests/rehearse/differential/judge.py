"""Compare a rehearsal with the board, and both with what the architecture makes of the program."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from string import Template
from typing import Any

from elftools.elf.elffile import ELFFile
from elftools.elf.sections import SymbolTableSection
from rehearsals import Case as Product

from .board import BoardRun
from .cases import ANYWHERE, LOCK_UP, Board, Case

LAYOUT = Path(__file__).with_name("layout.toml")
ONE_CORE = LAYOUT.with_name("one-core.toml")
GOALS = re.compile(r"^\[\[rehearsal\.goal\]\]\n(\w.*\n)+", re.MULTILINE)


@dataclass(frozen=True, slots=True)
class Rehearsed:
    """What a rehearsal said: verdict, texts, errors and warnings as (kind, core, sentence)."""

    passes: bool
    texts: dict[str, str]
    errors: tuple[tuple[str, str, str], ...]
    warnings: tuple[tuple[str, str, str], ...]
    ended: str


def layout_of(board: Board) -> str:
    """The layout of a board; one with a single core gets a second that runs in the rehearsal alone."""
    if len(board.cores) > 1:
        return LAYOUT.read_text(encoding="utf-8")
    values = {
        **{name: f"{getattr(board, name):#x}" for name in ("flash", "ram", "serial", "control")},
        "ram_size": f"{board.ram_size}",
        "link": f"{2 * board.ram_size}",
        "ram_total": f"{board.ram_size // 512 + 4} KiB",
        "architecture": board.architecture,
        "extensions": json.dumps(board.extensions),
        "interrupts": f"{board.interrupts}",
        "control_and_4": f"{board.control + 4:#x}",
        "station_port": f"{board.serial + board.serial_data:#x}",
        "sampler_serial": f"{board.serial_of('sampler'):#x}",
        "sampler_port": f"{board.serial_of('sampler') + board.serial_data:#x}",
    }
    return Template(ONE_CORE.read_text(encoding="utf-8")).substitute(values)


def product_of(case: Case, elves: Mapping[str, bytes]) -> Product:
    """The joined image of a case, with its layout."""
    text = layout_of(case.board)
    for old, new in case.layout:
        if old not in text:
            raise KeyError(f"not in the layout: {old!r}")
        text = text.replace(old, new)
    if not case.goals:
        text = GOALS.sub("", text)
    return Product(text, elves)


def image_bytes(product: Product) -> bytes:
    """The flash of a joined image, erased bytes included."""
    flash = product.read.layout.memories["flash"]
    return product.image.read(flash.span, flash.erased_byte)


def rehearsed(product: Product, **options: Any) -> Rehearsed:
    """The rehearsal of a case, in this process unless ``isolate`` says otherwise."""
    result = product.rehearse(**options)
    found = [(each.severity, (each.kind, each.core, each.what)) for each in result.findings]
    errors = tuple(each for severity, each in found if severity == "error")
    warnings = tuple(each for severity, each in found if severity != "error")
    texts = {core: result.texts.get(core, "") for core in ("station", "sampler")}
    return Rehearsed(result.passes, texts, errors, warnings, result.ended)


def functions_at(elf: bytes, address: int) -> tuple[str, ...]:
    """Every name of the function that holds an address; none where no function does."""
    table = ELFFile(BytesIO(elf)).get_section_by_name(".symtab")
    names = []
    for symbol in table.iter_symbols() if isinstance(table, SymbolTableSection) else ():
        start = symbol["st_value"] & ~1
        if symbol["st_info"]["type"] == "STT_FUNC" and start <= address < start + max(symbol["st_size"], 4):
            names.append(str(symbol.name))
    return tuple(sorted(names))


def board_disagreements(case: Case, run: BoardRun, elves: Mapping[str, bytes]) -> list[str]:
    """Where the board's run is not what the case expects of it: a fault of the case, or a loose emulator."""
    if run.timed_out:
        return ["the board did not come to an end"]
    said = []
    for core in case.board.cores:
        must = case.fails is None
        if must and not run.finished(core):
            at = run.pcs.get(core, 0)
            where = ", ".join(functions_at(elves[core], at))
            said.append(f"the board's {core} does not finish: at {at:#x} {where}{run.locked_up}")
    if case.fails is None:
        return said
    if all(run.finished(core) for core in case.board.cores):
        return ["the board finishes"]
    if case.ends == ANYWHERE:
        return []
    ends = case.ends.split("|")
    if run.locked_up and LOCK_UP in ends and run.locked_up in (case.fails, "unknown"):
        return []
    if run.locked_up or ends == [LOCK_UP]:
        return [f"locked up on the board: {run.locked_up or 'nobody'}"]
    named = functions_at(elves[case.fails], run.pcs[case.fails])
    if any(each in named for each in ends):
        return []
    return [f"the board's {case.fails} ends at {run.pcs[case.fails]:#x} {', '.join(named)}"]


def expected_texts(case: Case, run: BoardRun) -> dict[str, str]:
    """The texts that count: the board's, or the case's own where the board does not decide."""
    return {**run.texts, **dict(case.texts)}


def rehearsal_disagreements(case: Case, texts: Mapping[str, str], result: Rehearsed) -> list[str]:
    """Where the rehearsal differs from the verdict, the core and the texts that are right."""
    said = []
    shown = "; ".join(f"{core} {kind}: {what}" for kind, core, what in (result.errors or result.warnings)[:3])
    if case.fails is None and not result.passes:
        said.append(f"fails a sound program ({shown}; {result.ended})")
    if case.fails is None and result.passes and result.warnings:
        said.append(f"warns of a sound program ({shown})")
    if case.fails is not None and result.passes:
        said.append(f"passes though the {case.fails} fails ({result.ended})")
    elif case.fails is not None and not any(
        case.fails == core or f"core {case.fails}" in what for _, core, what in result.errors
    ):
        said.append(f"does not name the {case.fails} ({shown})")
    for core, text in texts.items():
        found = result.texts[core]
        if found != text and not (LOCK_UP in case.ends.split("|") and found.startswith(text)):
            said.append(f"{core}'s text differs: board {text!r}, rehearsal {found!r}")
    return said
