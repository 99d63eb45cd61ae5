"""Signatures made elsewhere: what goes out to be signed, how openssl signs it, and what comes back.

``openssl_command`` has the exact words for each algorithm; those for ML-DSA need OpenSSL 3.5 and are from
memory.  What comes back is verified before it goes into a seal.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from gemel.errors import Problem, UsageProblem
from gemel.text.escaping import on_one_line

if TYPE_CHECKING:
    from gemel.seals.format import SealFinding
    from gemel.seals.keys.algorithms import SignatureAlgorithm
    from gemel.seals.keys.keys import PublicKey

LARGEST_SIGNATURE = 64 << 10

_DIGESTS = {
    "ECDSA-P256": "sha256",
    "ECDSA-P384": "sha384",
    "RSA-3072-PSS": "sha256",
    "RSA-4096-PSS": "sha384",
}
_PSS = ("-sigopt", "rsa_padding_mode:pss", "-sigopt", "rsa_pss_saltlen:digest")


def openssl_command(algorithm: SignatureAlgorithm, key: str, data: str, signature: str) -> list[str]:
    """The words of the openssl command that signs the file ``data`` with the key file ``key``."""
    if algorithm.name in _DIGESTS:
        padding = _PSS if algorithm.name.startswith("RSA") else ()
        digest = f"-{_DIGESTS[algorithm.name]}"
        return ["openssl", "dgst", digest, *padding, "-sign", key, "-out", signature, data]
    raw = () if algorithm.quantum_safe else ("-rawin",)
    return ["openssl", "pkeyutl", "-sign", *raw, "-inkey", key, "-in", data, "-out", signature]


def paired(files: Sequence[Path], option: str, publics: Sequence[Path]) -> list[tuple[Path, PublicKey]]:
    """Each file of ``option`` with the public key that was given with it, in the same order.

    Raises UsageProblem for another number of keys than files, KeyFileError for what is no public key.
    """
    from gemel.workflows.key_inputs import public_keys

    if len(files) != len(publics):
        found = f"{len(files)} {option}, {len(publics)} --public"
        step = f"give each {option} FILE its --public KEY, in the same order"
        raise UsageProblem(
            Problem(
                "files and public keys do not pair", found=found, expected="as many of each", next_step=step
            )
        )
    keys = public_keys(publics)
    twice = [key for index, key in enumerate(keys) if key in keys[:index]]
    if twice:
        found = twice[0].fingerprint.hex()
        raise UsageProblem(
            Problem("a public key is given twice", where="--public", found=found, expected="each key once")
        )
    return list(zip(files, keys, strict=True))


def signatures_from(
    record_bytes: bytes, pairs: Iterable[tuple[Path, PublicKey]]
) -> list[tuple[PublicKey, bytes]]:
    """The signatures in files, verified, in COSE's form; raises SealError and UsageProblem."""
    from gemel.seals.seal import SealError, signature_made_elsewhere

    made: list[tuple[PublicKey, bytes]] = []
    findings: list[SealFinding] = []
    for path, key in pairs:
        try:
            made.append((key, signature_made_elsewhere(record_bytes, key, _signature_bytes(path), str(path))))
        except SealError as error:
            findings += zip(error.faults, error.problems, strict=True)
    if findings:
        raise SealError(findings)
    return made


def hand_over_lines(key: PublicKey, path: Path, size: int) -> list[str]:
    """What is said of a file that goes to the signing room."""
    import shlex

    words = openssl_command(key.algorithm, "KEY.pem", str(path), f"{path}.sig")
    since = ", from OpenSSL 3.5 on" if key.algorithm.quantum_safe else ""
    command = on_one_line(shlex.join(words))
    return [
        f"{on_one_line(str(path))}: {size:,} bytes, to be signed with the {key.algorithm.name} key",
        f"  {key.fingerprint.hex()}",
        f"  for instance{since}: {command}",
    ]


def _signature_bytes(path: Path) -> bytes:
    from gemel.files.reading import blocks_of_file

    data = bytearray()
    for block in blocks_of_file(path):
        data += block
        if len(data) > LARGEST_SIGNATURE:
            found, expected = f"more than {LARGEST_SIGNATURE:,} bytes", "a signature"
            raise UsageProblem(
                Problem("too large for a signature", where=str(path), found=found, expected=expected)
            )
    return bytes(data)
