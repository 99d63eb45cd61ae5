"""The security attribution unit: which addresses the code's own settings keep Secure.

Armv8-M architecture reference manual, "Security attribution unit" (from memory).
"""

from __future__ import annotations

from collections.abc import Mapping

SAU_CONTROL, SAU_ENABLE, SAU_ALL_NON_SECURE = 0xE000_EDD0, 1 << 0, 1 << 1
SAU_TYPE, SAU_REGION = 0xE000_EDD4, 0xE000_EDD8

_OF_REGION = 0xE000_EDDC, 0xE000_EDE0
"""Registers of which there is one for each region, the one that SAU_REGION selects: its base and its limit."""


def place_of(words: Mapping[int, int], address: int) -> int:
    """Where the word of a register is kept among ``words``, by its address and the region that is selected."""
    return address | words.get(SAU_REGION, 0) << 32 if address in _OF_REGION else address


def secure_by(words: Mapping[int, int], address: int) -> str:
    """Why an address is Secure for certain; empty where the device may decide.

    What the unit gives to Non-secure state the device may still keep Secure, but not the other way round.
    """
    control = words.get(SAU_CONTROL, 0)
    if not control & SAU_ENABLE:
        off = "the security attribution unit is off, and gives everything to Secure state"
        return "" if control & SAU_ALL_NON_SECURE else off
    found: list[str] = []
    for region in range(words[SAU_TYPE]):
        base, limit = (words.get(each | region << 32, 0) for each in _OF_REGION)
        if limit & 1 and base & ~0x1F <= address <= limit | 0x1F:
            found.append(str(region))
    if not found:
        return "no region of the security attribution unit holds it"
    if len(found) > 1:
        return f"regions {' and '.join(found)} of the security attribution unit overlap there"
    return ""
