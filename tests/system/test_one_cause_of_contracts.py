"""Faults that break a contract and more are one finding, the cause; compiled here by GCC and clang."""

from __future__ import annotations

import pytest
from compiled_pairs import RELEASE, compiled, pair
from small_device import TODAY
from verdict_builds import layout_of

from gemel.checking.runner import check
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join

NO_BOOT_SYMBOL = ('boot_symbol = { build = "station", symbol = "sampler_start_address" }\n', "")
OBJECTS = {
    name: f'__attribute__((section(".link.{at}"), used)) volatile uint32_t {name}[{words}];'
    for at, (name, words) in enumerate({"link_words": 32, "doorbell": 2, "mailbox": 8}.items())
}
LINK = ("  .bss (NOLOAD)", "  .link (NOLOAD) : { ORDER } > link\n  .bss (NOLOAD)")
ALL_OF_TABLE = ("KEEP(*(.vectors))", "*(.vectors)")


def _broken(compiler: str, family: str, order: str, *edits: tuple[str, str]) -> list[str]:
    """The rules with findings, each as often as it has any; ``order`` is that of the sampler's shared objects."""
    builds = {}
    for core, digits in (("station", "012"), ("sampler", order)):
        script = LINK[1].replace("ORDER", " ".join(f"KEEP(*(.link.{digit}))" for digit in digits))
        code = (("/*BEFORE*/", "\n".join(OBJECTS.values())), (LINK[0], script))
        own = (("/*MAIN*/", RELEASE),) if core == "station" else edits
        builds[core] = compiled(core, compiler, family, "-Os", (*code, *own))
    read, made = layout_of(family, NO_BOOT_SYMBOL), pair(**builds)
    result = check(Inspection(read, join(read, made).image, made, disassemble=True), TODAY)
    return [each.rule.name for each in result.results for _ in each.findings]


@pytest.mark.parametrize(("compiler", "family"), [("gcc", "v6"), ("clang", "v8")])
@pytest.mark.parametrize(
    ("order", "broken"),
    [
        ("012", []),
        ("102", ["contract-symbols-agree"]),
        ("120", ["contract-symbols-agree"]),
        ("021", ["shared-symbols-agree"]),
    ],
)
def test_shared_objects_in_another_order(order: str, broken: list[str], compiler: str, family: str) -> None:
    """What took the place of a contract's object moved with it; of others in another order one finding is left."""
    assert _broken(compiler, family, order) == broken


@pytest.mark.parametrize(("compiler", "family"), [("gcc", "v7"), ("clang", "v8")])
def test_what_goes_with_the_vectors(compiler: str, family: str) -> None:
    """A linker that drops the vector table drops what only they lead to: shared objects too."""
    used = ("used)) volatile uint32_t link_words", "unused)) volatile uint32_t link_words")
    kept = ("KEEP(*(.link.0))", "*(.link.0)")
    serves = ("int main(void)", "void serve(void) { link_words[0] = turns; }\nint main(void)")
    handler = ("[11] = stop", "[11] = serve")
    assert _broken(compiler, family, "012", kept, used, serves, handler) == []
    dropped = _broken(compiler, family, "012", kept, used, serves, handler, ALL_OF_TABLE)
    assert dropped == ["vector-table-not-blank"]
