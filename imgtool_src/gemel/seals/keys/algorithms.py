"""The signature algorithms that a seal may use: names, COSE identifiers, sizes.

A layout writes them by ``name``: ``algorithms = ["Ed25519"]``.  Each has one COSE identifier and each
identifier here stands for one algorithm with one key size, so what a seal names leaves nothing open.

Sections of FIPS 186-5, RFC 8017 and RFC 8230 are named from memory.

Identifiers: ES256, ES384 and EdDSA were read in the sources of RFC 9053 and occur in the published examples
of the COSE working group; PS256 and PS384 (RFC 8230) occur in those examples, and those of ML-DSA in the examples
of RFC 9964.  RFC 9864 registers identifiers that fix the curve too (Ed25519 -19, ESP256 -9, ESP384 -51;
second-hand).  They were weighed and not taken: fewer COSE libraries know them, and here the general ones stand
for one curve each.
"""

from __future__ import annotations

from enum import Enum

from gemel.errors import Problem
from gemel.structs import Struct
from gemel.text.escaping import in_toml


class Registration(Enum):
    """How the registration of a COSE identifier is known to this project."""

    READ = "read in the source text of the standard"
    EXAMPLES = "seen in the published examples of the COSE working group"
    RFC_9964 = "seen in the examples of RFC 9964, whose signatures hold here"


class SignatureAlgorithm(Struct):
    """One algorithm with one size of key.

    ``cose_id`` is its identifier in the COSE registry, ``cose_name`` the name there; ``signature_size`` is
    in bytes, the same for every signature; ``public_key_size`` is that of the bare public key in bytes
    (RSA: of its modulus); ``key_words`` says what key it takes; ``same_bytes`` whether the same key and data
    give the same signature each time when gemel signs; ``quantum_safe`` whether it is made to hold against
    quantum computers; ``source`` names the standard.
    """

    name: str
    cose_id: int
    cose_name: str
    signature_size: int
    public_key_size: int
    key_words: str
    same_bytes: bool
    quantum_safe: bool
    evidence: Registration
    source: str

    def __str__(self) -> str:
        return self.name


ED25519 = SignatureAlgorithm(
    "Ed25519", -8, "EdDSA", 64, 32, "an Ed25519 key", True, False, Registration.READ, "RFC 8032, RFC 9053 2.2"
)
ECDSA_P256 = SignatureAlgorithm(
    "ECDSA-P256",
    -7,
    "ES256",
    64,
    65,
    "an EC key on curve P-256",
    True,
    False,
    Registration.READ,
    "FIPS 186-5, RFC 6979, RFC 9053 2.1; hash SHA-256",
)
ECDSA_P384 = SignatureAlgorithm(
    "ECDSA-P384",
    -35,
    "ES384",
    96,
    97,
    "an EC key on curve P-384",
    True,
    False,
    Registration.READ,
    "FIPS 186-5, RFC 6979, RFC 9053 2.1; hash SHA-384",
)
RSA_3072 = SignatureAlgorithm(
    "RSA-3072-PSS",
    -37,
    "PS256",
    384,
    384,
    "an RSA key of 3,072 bits",
    False,
    False,
    Registration.EXAMPLES,
    "RFC 8017 8.1, RFC 8230 2; hash and mask SHA-256, salt 32 bytes",
)
RSA_4096 = SignatureAlgorithm(
    "RSA-4096-PSS",
    -38,
    "PS384",
    512,
    512,
    "an RSA key of 4,096 bits",
    False,
    False,
    Registration.EXAMPLES,
    "RFC 8017 8.1, RFC 8230 2; hash and mask SHA-384, salt 48 bytes",
)
ML_DSA_65 = SignatureAlgorithm(
    "ML-DSA-65",
    -49,
    "ML-DSA-65",
    3309,
    1952,
    "an ML-DSA-65 key",
    False,
    True,
    Registration.RFC_9964,
    "FIPS 204, pure, empty context, hedged; RFC 9964",
)
ML_DSA_87 = SignatureAlgorithm(
    "ML-DSA-87",
    -50,
    "ML-DSA-87",
    4627,
    2592,
    "an ML-DSA-87 key",
    False,
    True,
    Registration.RFC_9964,
    "FIPS 204, pure, empty context, hedged; RFC 9964",
)

ALGORITHMS: tuple[SignatureAlgorithm, ...] = (
    ED25519,
    ECDSA_P256,
    ECDSA_P384,
    RSA_3072,
    RSA_4096,
    ML_DSA_65,
    ML_DSA_87,
)
"""Every algorithm, in the order in which lists name them."""

_BY_NAME = {algorithm.name.lower(): algorithm for algorithm in ALGORITHMS}
_BY_COSE_ID = {algorithm.cose_id: algorithm for algorithm in ALGORITHMS}
_OTHER_NAMES = {
    "eddsa": ED25519,
    "es256": ECDSA_P256,
    "p-256": ECDSA_P256,
    "secp256r1": ECDSA_P256,
    "es384": ECDSA_P384,
    "p-384": ECDSA_P384,
    "secp384r1": ECDSA_P384,
    "ps256": RSA_3072,
    "rsa-3072": RSA_3072,
    "ps384": RSA_4096,
    "rsa-4096": RSA_4096,
}


def algorithm_names() -> tuple[str, ...]:
    """The names that a layout may write."""
    return tuple(algorithm.name for algorithm in ALGORITHMS)


def algorithm_named(name: str) -> SignatureAlgorithm | None:
    """The algorithm of that name, or None; case does not matter."""
    return _BY_NAME.get(name.lower())


def algorithm_of_cose_id(cose_id: int) -> SignatureAlgorithm | None:
    """The algorithm of that COSE identifier, or None."""
    return _BY_COSE_ID.get(cose_id)


def _plain(name: str) -> str:
    """A name without what is written now one way, now another: p256, P-256, p_256."""
    return name.lower().replace("-", "").replace("_", "")


def unknown_algorithm(name: str) -> Problem:
    """The problem with a name that ``algorithm_named`` does not know, with the nearest known name."""
    from difflib import get_close_matches

    known = {_plain(each): algorithm.name for each, algorithm in {**_OTHER_NAMES, **_BY_NAME}.items()}
    longer = [each for each in known if name and each.startswith(_plain(name))]
    near = longer or (get_close_matches(_plain(name), known, 1, 0.65) if len(name) <= 80 else [])
    named = " or ".join(f'"{each}"' for each in dict.fromkeys(known[each] for each in near))
    return Problem(
        "unknown signature algorithm",
        found=in_toml(name),
        expected=f"one of {', '.join(algorithm_names())}",
        next_step=f"did you mean {named}?" if near else "",
    )
