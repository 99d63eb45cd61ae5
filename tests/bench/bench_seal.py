"""Times and sizes of seals, per algorithm: sign, verify, read, load a key, and what importing costs.

Run it with the project installed: ``python tests/bench/bench_seal.py``.  Best of several, one process.
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parents[1] / part) for part in (".", "support")]

from bench_crc import best_of, import_time
from records import tide_gauge_record
from seal_keys import every_key, key_for, sign_all

from gemel.record import record
from gemel.seals.keys.files import load_private_key, load_public_key
from gemel.seals.keys.keys import PrivateKey
from gemel.seals.seal import read_seal, verify

RECORD = record.encode(tide_gauge_record())
AREA = 16 << 10


def row(label: str, keys: list[PrivateKey]) -> str:
    """One line: bytes of the seal, and milliseconds to make it, to read it, and to verify it."""
    seal = sign_all(RECORD, keys)
    area = seal.ljust(AREA, b"\xff")
    trusted = [key.public_key for key in keys]
    read = read_seal(area, 0xFF, "seal")
    if not all(verdict.good for verdict in verify(read, RECORD, trusted)):
        raise SystemExit(f"{label}: the seal does not hold")
    made = best_of(lambda: sign_all(RECORD, keys))
    parsed = best_of(lambda: read_seal(area, 0xFF, "seal"))
    verified = best_of(lambda: verify(read, RECORD, trusted))
    pem, public_pem = keys[0].to_pem(), keys[0].public_key.to_pem()
    private = best_of(lambda: load_private_key(pem, "key"), 3)
    public = best_of(lambda: load_public_key(public_pem, "key"))
    return f"{label:26} {len(seal):6,} {made:9.2f} {parsed:9.3f} {verified:9.2f} {private:9.2f} {public:9.2f}"


def main() -> None:
    """Print the table."""
    print(f"record of {len(RECORD)} bytes, area of {AREA >> 10} KiB; milliseconds, best of 7")
    print("make: sign and verify what was signed; load: of the first key")
    head = ("bytes", "make", "read", "verify", "load priv", "load pub")
    print(f"{'signers':26} {head[0]:>6} " + " ".join(f"{each:>9}" for each in head[1:]))
    for key in every_key():
        print(row(key.algorithm.name, [key]))
    print(row("ECDSA-P256 with ML-DSA-65", [key_for("ECDSA-P256"), key_for("ML-DSA-65")]))
    print(row("ECDSA-P384 with ML-DSA-87", [key_for("ECDSA-P384"), key_for("ML-DSA-87")]))
    print()
    locked = key_for("Ed25519").to_pem(b"pass phrase")
    opened = best_of(lambda: load_private_key(locked, "key", b"pass phrase"), 3)
    print(f"a key under a pass phrase opened {opened:.0f} ms (600,000 rounds)")
    print(f"import of gemel.seals.seal {import_time('gemel.seals.seal'):.1f} ms")
    library = import_time("cryptography.hazmat.primitives.serialization")
    print(f"import of cryptography's serialization {library:.1f} ms (only where a key is used)")
    print(f"import of cbor2, which was not taken {import_time('cbor2'):.1f} ms")


if __name__ == "__main__":
    main()
