"""``file-entry-is-reset-handler``: an image whose file starts somewhere else."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_device import (
    CODE,
    FLASH,
    RECORD,
    STATION,
    apply,
    builds,
    joined,
    layout,
    layout_text,
    station_elf,
)

from gemel.cli.main import exit_code
from gemel.image.intel_hex import encode
from gemel.image.sparse import SparseBytes

RULE = "file-entry-is-reset-handler"
RESET = STATION + 4 * 32 + 1


def with_entry(entry: int | None, **options: object):  # type: ignore[no-untyped-def]
    """What the rule says of the sound image in a file that starts there."""
    return apply(RULE, handed={}, entry=entry, **options)


BREAKS = {
    "somewhere in the code": lambda: with_entry(RESET + 8),
    "in the record": lambda: with_entry(RECORD + 1),
    "outside all memories": lambda: with_entry(0x4000_0000),
    "the start of the flash": lambda: with_entry(FLASH),
}

KEEPS = {
    "the reset handler": lambda: with_entry(RESET),
    "without the Thumb bit": lambda: with_entry(RESET & ~1),
    "at an alias": lambda: with_entry(
        RESET - FLASH, read=layout({"write_unit = 8": "write_unit = 8\naliases = [0x0]"})
    ),
}


def test_no_start_address_is_nothing_to_look_at() -> None:
    """Most files name none."""
    assert with_entry(None).status == "does not apply"


def test_without_a_vector_table_it_is_not_checked() -> None:
    """The table is what says where the primary starts."""
    result = with_entry(RESET, image=SparseBytes())
    assert [each.reason for each in result.not_checked] == [
        "the primary's vector table was not found in the image"
    ]


def test_join_names_the_reset_handler_or_nothing() -> None:
    """An ELF file's own entry point goes into the file only where the core starts there anyway."""
    assert joined().entry == RESET
    elsewhere = bytearray(station_elf())
    elsewhere[24:28] = (STATION + 4 * 32 + len(CODE) // 2 | 1).to_bytes(4, "little")
    assert joined(handed=builds(station=bytes(elsewhere))).entry is None


@pytest.mark.parametrize("suffix", ["hex", "srec"])
def test_the_attack_by_its_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], suffix: str
) -> None:
    """A start address that leads into foreign bytes: the check took it, since the flash was as sealed."""
    from gemel.image.s_record import encode as encode_srec

    monkeypatch.chdir(tmp_path)
    Path("small.toml").write_text(layout_text(), encoding="utf-8")
    writer = encode if suffix == "hex" else encode_srec
    Path(f"sound.{suffix}").write_bytes(b"".join(writer(joined().image, RESET)))
    Path(f"bad.{suffix}").write_bytes(b"".join(writer(joined().image, RECORD | 1)))
    assert exit_code(["check", "small.toml", f"sound.{suffix}"]) == 0
    assert exit_code(["check", "small.toml", f"bad.{suffix}"]) == 1
    assert RULE in capsys.readouterr().out
