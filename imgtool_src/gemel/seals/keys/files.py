"""Keys read from the bytes of a file, PEM or DER.

    PEM label               what it is                        read as
    PRIVATE KEY             PKCS#8, RFC 5958                  private
    ENCRYPTED PRIVATE KEY   PKCS#8 with a pass phrase         private
    EC PRIVATE KEY          SEC 1, RFC 5915                   private
    RSA PRIVATE KEY         PKCS#1, RFC 8017 A.1.2            private
    PUBLIC KEY              SubjectPublicKeyInfo, RFC 5280    public
    RSA PUBLIC KEY          PKCS#1, RFC 8017 A.1.1            public

A file holds one key.  DER has no label: where it is not what was requested, it is read as the other kind
too, so that the error can say which it is.  No problem here shows any of the bytes.
"""

from __future__ import annotations

from typing import Any

from gemel.errors import Problem
from gemel.files.contents import ELF_START, instead_of_toml
from gemel.seals.keys import schemes
from gemel.seals.keys.algorithms import SignatureAlgorithm
from gemel.seals.keys.blocks import (
    MAX_KEY_FILE,
    KeyBlock,
    Unreadable,
    UnreadableKey,
    key_blocks,
    library_private_key,
    library_public_key,
    why_not_private,
)
from gemel.seals.keys.keys import KeyFileError, PrivateKey, PublicKey, private_key_of, public_key_of
from gemel.text.escaping import in_shell

_PRIVATE = ("PRIVATE KEY", "ENCRYPTED PRIVATE KEY", "EC PRIVATE KEY", "RSA PRIVATE KEY")
_PUBLIC = ("PUBLIC KEY", "RSA PUBLIC KEY")
_OTHERS = {
    "CERTIFICATE": ("a certificate", "take its key out: openssl x509 -in {file} -pubkey -noout -out PUBKEY"),
    "CERTIFICATE REQUEST": (
        "a certificate request",
        "take its key out: openssl req -in {file} -pubkey -noout -out PUBKEY",
    ),
    "OPENSSH PRIVATE KEY": ("a private key in OpenSSH's own format", "convert it to PKCS#8"),
    "DSA PRIVATE KEY": ("a DSA key", ""),
}
_PRIVATE_DUE = "a private key in PEM or DER, of ML-DSA with its seed"
_PUBLIC_DUE = "a public key in PEM or DER"


def load_public_key(data: bytes, name: str) -> PublicKey:
    """The public key in ``data``; ``name`` is what problems call the file.

    Raises KeyFileError: no key, a private key, or a key that no supported algorithm takes.
    """
    block = _one_key(data, name, _PUBLIC)
    try:
        key = library_public_key(block)
    except UnreadableKey as error:
        raise KeyFileError(_not_public(block, name, error.reason)) from error
    return public_key_of(key, _algorithm(key, name))


def load_private_key(data: bytes, name: str, pass_phrase: bytes | None = None) -> PrivateKey:
    """The private key in ``data``; ``name`` is what problems call the file.

    Raises KeyFileError: no key, a public key, a key that no supported algorithm takes, a pass phrase that is
    missing, wrong, or given for a key that has none (``is_encrypted`` shows beforehand).
    """
    block = _one_key(data, name, _PRIVATE)
    try:
        key = library_private_key(block, pass_phrase)
    except UnreadableKey as error:
        raise KeyFileError(_not_private(block, name, error, pass_phrase)) from error
    return private_key_of(key, _algorithm(key, name))


def is_encrypted(data: bytes) -> bool:
    """Whether ``data`` is a private key that takes a pass phrase; False for whatever is no key."""
    blocks = key_blocks(data)
    return len(blocks) == 1 and why_not_private(blocks[0]) is Unreadable.ENCRYPTED


def _one_key(data: bytes, name: str, wanted: tuple[str, ...]) -> KeyBlock:
    """The one key that the file holds, if its label is one of ``wanted`` or it has none."""
    if len(data) > MAX_KEY_FILE:
        most = f"at most {MAX_KEY_FILE:,} bytes"
        raise KeyFileError(
            "too large for a key file", where=name, found=f"{len(data):,} bytes", expected=most
        )
    blocks = key_blocks(data)
    if len(blocks) != 1:
        found = f"{len(blocks)} complete PEM blocks"
        raise KeyFileError("not one key", where=name, found=found, expected="one key in a file")
    if blocks[0].label and blocks[0].label not in wanted:
        raise KeyFileError(_other_label(blocks[0].label, name, wanted))
    return blocks[0]


def _other_label(label: str, name: str, wanted: tuple[str, ...]) -> Problem:
    if label in _PRIVATE:
        return _private_for_public(name)
    if label in _PUBLIC:
        return _public_for_private(name)
    found, step = _OTHERS.get(label, ("a PEM block of another kind", ""))
    step = step.format(file=in_shell(name))
    expected = f"PEM with {', '.join(wanted[:-1])} or {wanted[-1]}"
    return Problem("no key that can be read", where=name, found=found, expected=expected, next_step=step)


def _private_for_public(name: str) -> Problem:
    step = f"give the file with its public part: gemel keys public {in_shell(name)} -o PUBKEY writes it"
    return Problem(
        "a private key where a public one is expected", where=name, expected=_PUBLIC_DUE, next_step=step
    )


def _public_for_private(name: str) -> Problem:
    what, step = "a public key where a private one is expected", "give the file of the private key"
    return Problem(what, where=name, expected=_PRIVATE_DUE, next_step=step)


def _not_public(block: KeyBlock, name: str, reason: Unreadable) -> Problem:
    if not block.label and why_not_private(block) in (None, Unreadable.ENCRYPTED):
        return _private_for_public(name)
    step = "give a file with the public key (gemel keys show --help)"
    found = _found_words(block)
    return Problem(reason.value, where=name, found=found, expected=_PUBLIC_DUE, next_step=step)


def _not_private(block: KeyBlock, name: str, error: UnreadableKey, pass_phrase: bytes | None) -> Problem:
    reason = error.reason
    if reason is Unreadable.ENCRYPTED:
        return Problem(reason.value, where=name, next_step="give its pass phrase")
    if reason is Unreadable.NOT_ENCRYPTED:
        return Problem(reason.value, where=name, next_step="leave the pass phrase out, or encrypt the key")
    if reason is Unreadable.TOO_MUCH_WORK:
        step = "to use a key of your own, encrypt it with less work: openssl pkcs8 -topk8 -iter 600000 -in KEY -out NEW"
        return Problem(reason.value, where=name, found=error.found, expected=error.expected, next_step=step)
    wrong = reason is Unreadable.DAMAGED and pass_phrase is not None
    if wrong and why_not_private(block) is Unreadable.ENCRYPTED:
        what = "the pass phrase does not open the key (or it is damaged, or encrypted in a way unknown here)"
        return Problem(what, where=name, next_step="give the key's own pass phrase")
    if not block.label and _is_public(block):
        return _public_for_private(name)
    step = "give a file with the private key; gemel keys new makes one"
    found = _found_words(block)
    return Problem(reason.value, where=name, found=found, expected=_PRIVATE_DUE, next_step=step)


def _is_public(block: KeyBlock) -> bool:
    try:
        library_public_key(block)
    except UnreadableKey:
        return False
    return True


def _found_words(block: KeyBlock) -> str:
    """What a file that holds no key is, where that is known; else its size."""
    if block.data.startswith((b"ssh-", b"ecdsa-sha2-")):
        return "a public key in OpenSSH's own format"
    if block.data.startswith(ELF_START):
        return "an ELF file"
    return instead_of_toml(block.data) or (f"{len(block.data):,} bytes" if block.data else "an empty file")


def _algorithm(key: Any, name: str) -> SignatureAlgorithm:
    algorithm = schemes.algorithm_of(key)
    if algorithm is None:
        what = "a key that no signature algorithm of a seal supports"
        raise KeyFileError(what, where=name, found=schemes.key_words(key), expected=schemes.supported_words())
    return algorithm
