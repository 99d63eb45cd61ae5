"""The reference that `gemel explain layout` prints."""

from __future__ import annotations

import re
import tomllib

from layout.test_layouts_readme import kinds_in

from gemel.layout.model import Layout
from gemel.layout.reference import layout_reference
from gemel.layout.tables import Table

TEXT = layout_reference()


def section(header: str) -> str:
    """The lines of one table."""
    start = TEXT.index(f"\n{header}\n{'-' * len(header)}\n") + 1
    return TEXT[start : TEXT.index("\n\n", start)]


def test_every_table_has_its_keys() -> None:
    """Each table of the model stands in the reference once, with every key on a line of its own."""
    tables = {kind.model: kind for kind in kinds_in(Table(Layout)) if isinstance(kind, Table)}
    for table in tables.values():
        names = list(table.keys)
        starts = [line.split()[0] for line in TEXT.split("\n") if line.startswith("  ") and line[2] != " "]
        assert any(starts[index : index + len(names)] == names for index in range(len(starts))), table.model


def test_a_table_is_described_in_full() -> None:
    """What a key takes, what it means and its default, for a table with all of these."""
    assert (
        section("[core.NAME.release]")
        == """\
[core.NAME.release]
-------------------
  vector_register   required;           register that receives the address of
                                        the secondary's vectors
                    address
  control_register  required;           register that lets the secondary run
                    address
  release_mask      default 0xFFFFFFFF; bits of the control register that matter
                    32-bit value
  release_value     required;           what these bits must read for the core
                                        to run
                    32-bit value
  key_mask          default 0;          bits that must hold an unlock key in the
                                        same write; 0: none
                    32-bit value
  key_value         default 0;          the unlock key
                    32-bit value"""
    )


def test_numbers_are_written_as_people_count_them() -> None:
    """Defaults of counts are decimal, those of bytes and masks hexadecimal, and all of them valid TOML."""
    assert "default 20_000_000;" in section("[rehearsal]")
    assert "number 1..10_000_000_000" in section("[rehearsal]")
    assert "default 0xFF;" in section("[memory.NAME]")
    for default in re.findall(r"default (.*?);", TEXT):
        tomllib.loads(f"key = {default}")


def test_no_key_runs_into_what_follows_it() -> None:
    """The longest keys too are followed by a blank."""
    assert "  inter_core_interrupt optional; " in TEXT
    for kind in kinds_in(Table(Layout)):
        for name in kind.keys if isinstance(kind, Table) else ():
            assert f"  {name} " in TEXT


def test_choices_and_words_are_shown_as_the_file_writes_them() -> None:
    """Defaults, choices and alternatives stand as TOML writes them."""
    assert 'default "little";   of numbers' in section("[[stamp]]")
    assert '"little" | "big"' in section("[[stamp]]")
    assert "default false;" in section("[seal]")
    assert "one of these;" in section("stamp.value = { size_of ... }")
    assert "list of name or table" in section("[[checksum]]")


def test_the_reference_fits_a_terminal_of_96_columns() -> None:
    """No line is longer, and none ends in blanks."""
    for line in TEXT.split("\n"):
        assert len(line) <= 96
        assert line == line.rstrip()


def test_headers_come_in_the_order_of_the_file() -> None:
    """A table's inner tables follow it directly."""
    headers = [line for line in TEXT.split("\n") if line.startswith("[")]
    assert headers == [
        "[memory.NAME]",
        "[core.NAME]",
        "[core.NAME.release]",
        "[area.NAME]",
        "[build.NAME]",
        "[build.NAME.copied_by]",
        "[contract.NAME]",
        "[contract.NAME.boot_symbol]",
        "[[stamp]]",
        "[[checksum]]",
        "[record]",
        "[seal]",
        "[rehearsal]",
        "[[rehearsal.goal]]",
        "[rehearsal.goal.word]",
        "[[rehearsal.serial]]",
        "[[rehearsal.constant]]",
        "[[rehearsal.sequence]]",
        "[[rehearsal.held]]",
        "[[rehearsal.set_clear]]",
        "[[rehearsal.ready]]",
        "[[rehearsal.by_core]]",
        "[[rehearsal.event]]",
        "[[rehearsal.flash_controller]]",
        "[rehearsal.flash_controller.unlock]",
        "[[rehearsal.status]]",
        "[[rehearsal.inter_core_interrupt]]",
        "[[rehearsal.mutex]]",
        "[[rehearsal.registers_of]]",
        "[rules]",
        "[[rules.waive]]",
        "[[rules.severity]]",
    ]
