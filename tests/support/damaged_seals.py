"""Damaged seals for the C reader: the same ones on every run, from a fixed seed."""

from __future__ import annotations

import random
from collections.abc import Iterator
from typing import NamedTuple

from gemel.seals.cbor import head
from gemel.seals.cose import ALGORITHM, CONTENT_TYPE, KEY_ID, CoseSign, Signature, encode
from gemel.seals.format import RECORD_CONTENT_TYPE
from gemel.seals.keys.algorithms import ALGORITHMS

OTHER_IDS = (-1, -6, -9, -24, -25, -36, -256, -257, -65535, 0, 1, 38)
"""COSE identifiers that no seal has, at the seams of CBOR's heads."""


class Case(NamedTuple):
    """The bytes of a seal's area, and its erased byte."""

    area: bytes
    erased: int


def _signer(generator: random.Random) -> Signature:
    algorithm = generator.choice([*ALGORITHMS[:4]] * 5 + [*ALGORITHMS])
    key_id = generator.randbytes(32)
    if generator.random() < 0.2:
        key_id = bytes(31) + bytes((generator.randrange(3),))
    return Signature(
        {ALGORITHM: algorithm.cose_id, KEY_ID: key_id}, generator.randbytes(algorithm.signature_size)
    )


def _odd(signer: Signature, generator: random.Random) -> Signature:
    """The signer with one thing that no seal's has, mostly; it is still COSE."""
    kind = generator.randrange(6)
    protected, unprotected, signature = dict(signer.protected), {}, signer.signature
    if kind == 0:
        protected[ALGORITHM] = generator.choice(OTHER_IDS)
    elif kind == 1:
        protected[KEY_ID] = generator.randbytes(generator.choice([0, 23, 24, 31, 33, 255, 256]))
    elif kind == 2:
        protected[generator.choice([0, 3, 5, -1])] = generator.choice([0, b"more", "more"])
    elif kind == 3:
        unprotected = {KEY_ID: b"more"}
    elif kind == 4:
        signature = generator.randbytes(generator.choice([0, 23, 63, 65, 96, 255, 256, 384, 512]))
    else:
        del protected[generator.choice([ALGORITHM, KEY_ID])]
    return Signature(protected, signature, unprotected)


def small_seal(generator: random.Random) -> bytes:
    """A seal's bytes, sound in two of three cases; else COSE with something that no seal has."""
    signers = [_signer(generator) for _ in range(generator.choice([1, 1, 1, 2, 2, 3, 8, 9]))]
    odd = generator.random()
    if odd < 0.15:
        place = generator.randrange(len(signers))
        signers[place] = _odd(signers[place], generator)
    if 0.15 < odd < 0.25:
        signers.append(signers[0])
    if odd < 0.9:
        signers.sort(key=lambda signer: signer.protected_bytes)
    body: dict[int | bytes | str, int | bytes | str] = {CONTENT_TYPE: RECORD_CONTENT_TYPE}
    payload = None
    if 0.25 < odd < 0.28:
        body[CONTENT_TYPE] = "application/x.gemel-recorc"
    if 0.28 < odd < 0.31:
        payload = b""
    return encode(CoseSign(body, tuple(signers), payload))


def _damage(data: bytearray, generator: random.Random) -> bytearray:
    kind = generator.randrange(6)
    place = generator.choice(
        [generator.randrange(len(data) + 1), generator.randrange(min(len(data), 90) + 1)]
    )
    if kind == 0 and data:
        data[min(place, len(data) - 1)] ^= 1 << generator.randrange(8)
    elif kind == 1:
        return data[:place]
    elif kind == 2:
        data[place:place] = generator.randbytes(generator.choice([1, 2, 8]))
    elif kind == 3:
        del data[place : place + generator.choice([1, 2, 8])]
    elif kind == 4 and data:
        data[min(place, len(data) - 1)] = generator.choice(
            [0, 0x17, 0x18, 0x38, 0x40, 0x58, 0x59, 0x80, 0xA0, 0xFF]
        )
    else:
        huge = head(
            generator.choice([2, 3, 4, 5]), generator.choice([1 << 16, 1 << 31, (1 << 32) - 1, (1 << 64) - 1])
        )
        data[place : place + len(huge)] = huge
    return data


def cases(number: int, seed: int) -> Iterator[Case]:
    """``number`` areas: of most the seal is whole or nearly; the bytes behind it are mostly erased."""
    generator = random.Random(seed)
    for index in range(number):
        erased = generator.choice([0xFF, 0xFF, 0xFF, 0x00])
        data = bytearray(small_seal(generator))
        for _ in range(generator.choice([0, 0, 1, 1, 1, 2])):
            data = _damage(data, generator)
        if index % 20 == 0:
            data = data[: generator.randrange(3)]
        area = bytes(data) + bytes((erased,)) * generator.choice([0, 0, 1, 7, 60])
        if generator.random() < 0.1 and area:
            area = area[:-1] + bytes((generator.randrange(256),))
        yield Case(area, erased)
