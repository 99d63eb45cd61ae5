"""Start-up code of one core that clears memory of the other by constants, compiled here by GCC and clang."""

from __future__ import annotations

import pytest
from compiled_pairs import RELEASE, compiled, layout_for, pair, said_by
from small_device import findings

LOOP = "for (volatile uint32_t *at = bss_start; at < bss_end;) *at++ = 0;"
WORDS = "for (volatile uint32_t *at = (void *){}; at < (volatile uint32_t *){}; at++) *at = {};"
BYTES = "for (volatile uint8_t *at = (void *){}; at < (volatile uint8_t *){}; at++) *at = {};"
STATION, OWN, LINK = ("0x20001000", "0x20001800"), ("0x20003C00", "0x20004000"), ("0x20004000", "0x20004400")
BREAKS = {
    "words of its RAM": WORDS.format(*STATION, 0),
    "bytes of its stack": BYTES.format("0x20001700", "0x20001720", 0),
    "its RAM, once a clock runs": "while (!(IO(0x40) & 1u)) { } " + WORDS.format(*STATION, 0),
    "its code": WORDS.format("0x10000000", "0x10000040", 0),
}
KEEPS = {
    "RAM of its own": WORDS.format(*OWN, 0),
    "what the cores share": BYTES.format(*LINK, 0),
    "RAM of no area": WORDS.format("0x20005000", "0x20006000", 0),
    "memory that the layout does not have": WORDS.format("0x30000000", "0x30000400", 0),
    "a pattern over its stack": WORDS.format("0x20003000", "0x20003700", "0xA5A5A5A5u"),
    "all RAM, where a device reports an attack": f"if (IO(0x40) & 1u) {{ {WORDS.format(*STATION, 0)} }}",
}
WITH = (("gcc", "v6", "-Os"), ("clang", "v8", "-O2"))


def _said(core: str, clears: str, compiler: str, family: str, level: str) -> list[str]:
    edits: dict[str, tuple[tuple[str, str], ...]] = {"station": (("/*MAIN*/", RELEASE),), "sampler": ()}
    edits[core] += ((LOOP, f"{clears} {LOOP}"), ("int main", "__attribute__((noinline)) int main"))
    builds = pair(**{name: compiled(name, compiler, family, level, edits[name]) for name in edits})
    return [each.found for each in findings(said_by("start-clears-own-ram", layout_for(family), builds))]


@pytest.mark.parametrize(("compiler", "family", "level"), WITH)
@pytest.mark.parametrize("case", BREAKS)
def test_a_secondary_clears_nothing_of_the_primary(case: str, compiler: str, family: str, level: str) -> None:
    """One finding, whatever the form of the loop."""
    (found,) = _said("sampler", BREAKS[case], compiler, family, level)
    assert found.startswith("clears 0x")


@pytest.mark.parametrize(("compiler", "family", "level"), WITH)
@pytest.mark.parametrize("case", KEEPS)
def test_what_else_a_secondary_may_clear(case: str, compiler: str, family: str, level: str) -> None:
    """What it owns, what nobody does, and what only a device's answer has it clear."""
    assert not _said("sampler", KEEPS[case], compiler, family, level)


def test_the_primary_may_clear_all_ram() -> None:
    """No other core runs yet."""
    assert not _said("station", WORDS.format("0x20002000", "0x20008000", 0), *WITH[0])
