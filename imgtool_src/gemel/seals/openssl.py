"""How the command line of OpenSSL signs: one place for `sign --help`, `explain seal` and what is handed over.

Those for ML-DSA need OpenSSL 3.5 and are from memory.
"""

from __future__ import annotations

from collections.abc import Iterator

from gemel.seals.keys.algorithms import ALGORITHMS, SignatureAlgorithm

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


def openssl_lines(width: int = 79) -> Iterator[str]:
    """A line or two for each algorithm: its name, and the command with KEY, BYTES and SIG for the files."""
    seen: set[str] = set()
    for each in ALGORITHMS:
        name = "ML-DSA" if each.quantum_safe else each.name
        if name in seen:
            continue
        seen.add(name)
        line = f"{name:<13}"
        for word in _pieces(openssl_command(each, "KEY", "BYTES", "SIG")):
            if len(line) + 1 + len(word) > width:
                yield line
                line = " " * 15
            line += f" {word}" if line.strip() else word
        yield line


def _pieces(words: list[str]) -> Iterator[str]:
    """The words, an option with its value after it in one piece."""
    rest = iter(words)
    for word in rest:
        takes_value = word in ("-sigopt", "-sign", "-out", "-inkey", "-in") and words[1] == "dgst"
        takes_value = takes_value or word in ("-out", "-inkey", "-in")
        yield f"{word} {next(rest)}" if takes_value else word
