"""The public part of a private key on a token, put together from the attributes of its objects.

    RSA      CKA_MODULUS and CKA_PUBLIC_EXPONENT, which the private key has too
    EC       CKA_EC_PARAMS (a curve's object identifier in DER) and CKA_EC_POINT
    Ed25519  the same, the curve as its object identifier (RFC 8410) or as the name "edwards25519"

CKA_EC_POINT is a DER octet string (PKCS#11 2.40 6.3.3); some tokens give the bare point, as PKCS#11 3.0
once said for Edwards curves.  Its size shows which.  (Sections from memory.)
"""

from __future__ import annotations

from typing import Any

from gemel.errors import Problem
from gemel.seals.keys import schemes
from gemel.seals.keys.algorithms import ECDSA_P256, ECDSA_P384, ED25519, SignatureAlgorithm
from gemel.seals.keys.keys import KeyFileError, PublicKey, public_key_of

_CURVES = {
    bytes.fromhex("06082a8648ce3d030107"): ECDSA_P256,
    bytes.fromhex("06052b81040022"): ECDSA_P384,
    bytes.fromhex("06032b6570"): ED25519,
    b"\x13\x0cedwards25519": ED25519,
}


def public_key(session: Any, private: Any, where: str) -> PublicKey:
    """The public part of the ``private`` key object.

    Raises KeyFileError: a key that no signature algorithm of a seal takes, no public part.
    """
    from pkcs11 import KeyType

    kind = private.key_type
    source = _public_object(session, private)
    if kind is KeyType.RSA:
        key = _rsa_key(private if source is None else source)
    elif kind in (KeyType.EC, KeyType.EC_EDWARDS):
        algorithm = _curve(private, where)
        if source is None:
            raise KeyFileError(
                "the token holds no public part of this key",
                where=where,
                expected="both parts",
                next_step="put the public key onto the token, with the same id as the private one",
            )
        key = _curve_key(source, algorithm, where)
    else:
        raise KeyFileError(_unfit(where, f"a key of kind {getattr(kind, 'name', kind)}"))
    fitting = schemes.algorithm_of(key)
    if fitting is None:
        raise KeyFileError(_unfit(where, schemes.key_words(key)))
    return public_key_of(key, fitting)


def object_words(key: Any) -> str:
    """A key object as problems name it: kind, name and id."""
    kind = getattr(key.key_type, "name", key.key_type)
    return f"{kind} object={key.label!r} id=0x{bytes(key.id).hex().upper()}"


def _public_object(session: Any, private: Any) -> Any | None:
    """The public key object of the same kind and id; with no id, or none such, that of the same name."""
    from pkcs11 import Attribute, ObjectClass

    same_kind = {Attribute.CLASS: ObjectClass.PUBLIC_KEY, Attribute.KEY_TYPE: private.key_type}
    names = ({Attribute.ID: bytes(private.id)}, {Attribute.LABEL: private.label})
    for name in names:
        found = list(session.get_objects({**same_kind, **name})) if any(name.values()) else []
        if len(found) == 1:
            return found[0]
    return None


def _rsa_key(source: Any) -> Any:
    from cryptography.hazmat.primitives.asymmetric.rsa import RSAPublicNumbers
    from pkcs11 import Attribute

    modulus, exponent = (
        int.from_bytes(source[each], "big") for each in (Attribute.MODULUS, Attribute.PUBLIC_EXPONENT)
    )
    return RSAPublicNumbers(exponent, modulus).public_key()


def _curve(private: Any, where: str) -> SignatureAlgorithm:
    from pkcs11 import Attribute

    parameters = bytes(private[Attribute.EC_PARAMS])
    algorithm = _CURVES.get(parameters)
    if algorithm is None:
        raise KeyFileError(_unfit(where, f"a curve with the parameters {parameters.hex()[:64]}"))
    return algorithm


def _curve_key(source: Any, algorithm: SignatureAlgorithm, where: str) -> Any:
    from cryptography.hazmat.primitives.asymmetric import ec, ed25519
    from pkcs11 import Attribute

    point, size = bytes(source[Attribute.EC_POINT]), algorithm.public_key_size
    if point[:2] == bytes((0x04, size)) and len(point) == size + 2:
        point = point[2:]
    try:
        if algorithm is ED25519:
            return ed25519.Ed25519PublicKey.from_public_bytes(point)
        curve = ec.SECP256R1() if algorithm is ECDSA_P256 else ec.SECP384R1()
        return ec.EllipticCurvePublicKey.from_encoded_point(curve, point)
    except ValueError as error:
        raise KeyFileError(
            "the public part on the token is damaged",
            where=where,
            found=f"{len(point)} bytes that are no point of its curve",
            next_step="name another key; take this one out of use",
        ) from error


def _unfit(where: str, found: str) -> Problem:
    what = "a key that no signature algorithm of a seal supports"
    return Problem(
        what, where=where, found=found, expected="RSA of 3,072 or 4,096 bits, P-256, P-384 or Ed25519"
    )
