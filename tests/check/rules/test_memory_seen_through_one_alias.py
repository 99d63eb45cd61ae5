"""``memory-seen-through-one-alias``: addresses of builds against the aliases of the memories."""

from __future__ import annotations

from capability_builds import applied, capability_builds, device, image_of
from elf_writer import SegmentSpec, elf
from small_device import apply, findings, vector_words
from small_device import build as build_of

RULE = "memory-seen-through-one-alias"
CODE, RAM = 0x0001_0000, 0x2800_8000


def _caller(*extra: SegmentSpec, words: dict[int, int] | None = None, start: int = CODE, replace=None):
    """A caller of these segments beside its vector table; the image is what join makes of it."""
    table = vector_words(RAM + 0x8000, start + 0x81, 16, words)
    data = elf([SegmentSpec(start, table + bytes(128)), *extra], symbols=[])
    read = device("security", replace)
    builds = capability_builds("security") | {"caller": build_of("caller", data)}
    return apply(RULE, read, image_of(read, builds), builds)


BREAKS = {
    "linked for the secure window": lambda: applied(RULE, "security", caller="caller-secure-alias"),
    "the same, by its vectors in the image": lambda: applied(
        RULE, "security", caller="caller-secure-alias", alone=True
    ),
    "code in both windows": lambda: _caller(SegmentSpec(CODE + 0x1000_0800, b"code")),
    "data in both windows": lambda: _caller(
        SegmentSpec(RAM, memory_size=16, flags="rw"),
        SegmentSpec(RAM + 0x1000_0100, memory_size=16, flags="rw"),
    ),
    "one handler in the secure window": lambda: _caller(words={5: CODE + 0x1000_0081}),
    "what is shared as non-secure, in the secure window": lambda: applied(
        RULE, "security", keeper="keeper-shares-as-secure"
    ),
    "the stack in the secure window": lambda: _caller(words={0: RAM + 0x1000_8000}),
}

KEEPS = {
    "each build in its own": lambda: applied(RULE, "security"),
    "each in its own, by the image": lambda: applied(RULE, "security", alone=True),
    "what is shared as non-secure, as that": lambda: applied(RULE, "security", keeper="keeper-shares"),
    "written by hand": lambda: _caller(SegmentSpec(RAM, memory_size=16, flags="rw")),
    "windows that do not differ in bit 28 alone, one of them used": lambda: _caller(
        start=0x0401_0000, replace={"aliases = [0x0000_0000]": "aliases = [0x0400_0000]"}
    ),
}


def test_both_uses_are_shown() -> None:
    """A build that mixes two windows is told one use of each."""
    (finding,) = findings(BREAKS["one handler in the secure window"]())
    assert "0x0001_0000 (segment 0 of caller.elf)" in finding.found
    assert "0x1001_0080 (word 5 of its vector table)" in finding.found
    assert finding.parties == ("caller", "flash", "station")


def test_memories_without_an_alias_are_left_alone() -> None:
    """Only what the layout declares counts: without aliases there is nothing to look at."""
    result = applied(
        RULE,
        "security",
        replace={
            "aliases = [0x0000_0000]\n": "",
            "aliases = [0x2800_0000]\n": "",
        },
        caller="caller-secure-alias",
    )
    assert [each.reason for each in result.not_applicable] == [result.rule.absent]
