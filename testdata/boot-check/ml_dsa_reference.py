"""Verifies one ML-DSA signature: the reference that the boot check runs on a host (verify_process.c).

Reads key, signature and signed bytes from standard input, each after its size in four bytes, little-endian;
ends with 0 if the signature holds, with 1 if not.  Uses the `cryptography` library and nothing of gemel's.
"""

from __future__ import annotations

import sys

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric import mldsa

KINDS = {1952: mldsa.MLDSA65PublicKey, 2592: mldsa.MLDSA87PublicKey}
"""By the size of the key (FIPS 204, table 2)."""


def part() -> bytes:
    """The next piece of standard input."""
    size = int.from_bytes(sys.stdin.buffer.read(4), "little")
    return sys.stdin.buffer.read(size)


def main() -> int:
    """Whether the signature holds, as an exit code."""
    key, signature, signed = part(), part(), part()
    try:
        KINDS[len(key)].from_public_bytes(key).verify(signature, signed)
    except (KeyError, ValueError, InvalidSignature):
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
