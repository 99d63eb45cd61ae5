"""What a core can execute: its architecture and extensions as single capabilities."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal, get_args

Capability = Literal[
    "baseline",
    "exclusive",
    "divide",
    "unaligned",
    "acquire",
    "thumb2",
    "coprocessor",
    "dsp",
    "fp",
    "fp-double",
    "fp16",
    "mve",
    "mve-fp",
    "v8.1",
    "security",
    "nobody",
]
"""One thing that a core has or lacks; ``nobody``: no M-profile core has it."""

IN_WORDS: dict[Capability, str] = {
    "baseline": "what Armv8-M Baseline and Armv7-M add to Armv6-M",
    "exclusive": "exclusive accesses",
    "divide": "divide instructions",
    "unaligned": "unaligned data accesses",
    "acquire": "the load-acquire and store-release instructions of Armv8-M",
    "thumb2": "most instructions of Armv7-M and Armv8-M Mainline",
    "coprocessor": "coprocessor instructions",
    "dsp": "the DSP extension (dsp)",
    "fp": "the floating-point extension (fp)",
    "fp-double": "double-precision floating point (fp-double)",
    "fp16": "half-precision floating point (fp of Armv8.1-M)",
    "mve": "the vector extension (mve)",
    "mve-fp": "floating point in the vector extension (mve-fp)",
    "v8.1": "what Armv8.1-M Mainline adds to Armv8-M",
    "security": "the security extension (security)",
    "nobody": "instructions of the application and real-time profiles",
}
"""What a core lacks that lacks a capability, as the end of a sentence."""

_ARMV7_M: frozenset[Capability] = frozenset(
    {"baseline", "exclusive", "divide", "unaligned", "thumb2", "coprocessor"}
)
_OF_ARCHITECTURE: dict[str, frozenset[Capability]] = {
    "armv6-m": frozenset(),
    "armv7-m": _ARMV7_M,
    "armv7e-m": _ARMV7_M | {"dsp"},
    "armv8-m.base": frozenset({"baseline", "exclusive", "divide", "acquire"}),
    "armv8-m.main": _ARMV7_M | {"acquire"},
    "armv8.1-m.main": _ARMV7_M | {"acquire", "v8.1"},
}
"""What comes with the architecture: the Armv6-M, Armv7-M and Armv8-M architecture reference manuals (from
memory); tests hold it to what the GNU assembler takes."""

_OF_EXTENSION: dict[str, frozenset[Capability]] = {
    "fp": frozenset({"fp"}),
    "fp-double": frozenset({"fp", "fp-double"}),
    "dsp": frozenset({"dsp"}),
    "mve": frozenset({"mve", "dsp"}),
    "mve-fp": frozenset({"mve", "mve-fp", "dsp", "fp"}),
    "mpu": frozenset(),
    "security": frozenset({"security"}),
}
"""What comes with an extension; the vector extension includes the DSP extension, and its floating point
the scalar one (as the compiler's ``-march`` has it)."""


def capabilities_of(architecture: str, extensions: Iterable[str]) -> frozenset[Capability]:
    """Everything that a core of ``architecture`` with ``extensions`` (the layout's names) can execute."""
    found = set(_OF_ARCHITECTURE[architecture])
    for extension in extensions:
        found |= _OF_EXTENSION[extension]
    if {"v8.1", "fp"} <= found:
        found.add("fp16")
    return frozenset(found)


def lacking(architecture: str, extensions: Iterable[str]) -> frozenset[Capability]:
    """Everything that such a core cannot."""
    return frozenset(get_args(Capability)) - capabilities_of(architecture, extensions)
