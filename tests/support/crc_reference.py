"""A CRC bit by bit, as its definition reads, independent of the library; the residue of an algorithm."""

from __future__ import annotations

from collections.abc import Sequence

from gemel.checksums.crc_catalogue import CrcParameters, reversed_bits


def bitwise_crc(
    width: int, poly: int, init: int, refin: bool, refout: bool, xorout: int, message: Sequence[int]
) -> int:
    """Divide the message's bits by the polynomial, one after another, in a list of single bits."""
    register = [init >> bit & 1 for bit in reversed(range(width))]
    taps = [poly >> bit & 1 for bit in reversed(range(width))]
    for byte in message:
        for bit in range(8) if refin else reversed(range(8)):
            feedback = register[0] ^ (byte >> bit & 1)
            register = [a ^ (feedback & b) for a, b in zip([*register[1:], 0], taps, strict=True)]
    if refout:
        register.reverse()
    return int("".join(map(str, register)), 2) ^ xorout


def residue(parameters: CrcParameters) -> int:
    """What the register holds, before ``xorout``, after a message and its own CRC.

    The catalogue's definition: the register loaded with ``xorout`` and clocked with ``width`` zero bits.
    """
    register = parameters.xorout
    if parameters.refout:
        register = reversed_bits(register, parameters.width)
    top = 1 << (parameters.width - 1)
    for _ in range(parameters.width):
        feedback = parameters.poly if register & top else 0
        register = (register << 1) & parameters.mask ^ feedback
    return reversed_bits(register, parameters.width) if parameters.refout else register
