"""A receiver's policy."""

from __future__ import annotations

from gemel.errors import GemelError
from gemel.policy.reader import read_policy

REFUSALS = (GemelError,)
SEEDS = [
    b'format = 1\ntrust = ["a-pub.pem"]\n',
    b'format = 1\ntrust = ["a-pub.pem"]\nalgorithms = ["Ed25519"]\nsigners = 1\npair = false\n',
]


def decode(data: bytes) -> None:
    """A policy is taken or refused."""
    read_policy(data, "fuzz.toml", ("stack-pointer-in-own-ram",), ("Ed25519",))
