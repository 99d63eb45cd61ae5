"""Keys that never leave their token: signers over PKCS#11, by way of the library ``python-pkcs11``.

The library is the extra ``hsm`` and is imported when the first token is looked for.

    algorithm          mechanisms, the first one that the token has
    ECDSA-P256, -P384  ECDSA over a digest made here, ECDSA_SHA256 or _SHA384
    RSA-PSS            RSA_PKCS_PSS over a digest made here, SHA256_ or SHA384_RSA_PKCS_PSS
    Ed25519            EDDSA (PKCS#11 3.0)

The public part comes from the public key object of the same id, for RSA also from the private key itself.
What a token signs is verified with it before it goes into a seal.  A token may make ECDSA signatures with
randomness: then the same inputs do not give the same seal.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from gemel.errors import ExtraMissing, Problem
from gemel.seals.keys import token_public_keys
from gemel.seals.keys.algorithms import (
    ECDSA_P256,
    ECDSA_P384,
    ED25519,
    RSA_3072,
    RSA_4096,
    SignatureAlgorithm,
)
from gemel.seals.keys.keys import HeldKey, KeyFileError, PublicKey
from gemel.seals.keys.token_uri import TokenUri

MECHANISMS: dict[SignatureAlgorithm, tuple[tuple[str, str], ...]] = {
    ECDSA_P256: (("ECDSA", "sha256"), ("ECDSA_SHA256", "")),
    ECDSA_P384: (("ECDSA", "sha384"), ("ECDSA_SHA384", "")),
    RSA_3072: (("RSA_PKCS_PSS", "sha256"), ("SHA256_RSA_PKCS_PSS", "")),
    RSA_4096: (("RSA_PKCS_PSS", "sha384"), ("SHA384_RSA_PKCS_PSS", "")),
    ED25519: (("EDDSA", ""),),
}
"""For each algorithm the mechanisms that make its signature, with the digest that is made here, if any."""

_PSS = {RSA_3072: ("SHA256", 32), RSA_4096: ("SHA384", 48)}

_REASONS = {
    "PinIncorrect": ("the PIN is wrong", "give the token's user PIN; several wrong ones lock it"),
    "PinInvalid": ("the PIN is wrong", "give the token's user PIN; several wrong ones lock it"),
    "PinLenRange": ("the PIN is wrong: no PIN of this token has its length", "give the token's user PIN"),
    "PinLocked": ("the token's PIN is locked", "have it unlocked by the token's security officer"),
    "PinExpired": ("the token's PIN has expired", "set a new one with the token's own tool"),
    "UserPinNotInitialized": ("the token has no user PIN", "set one with the token's own tool"),
    "UserNotLoggedIn": ("the token needs its PIN", "give it"),
    "MechanismInvalid": ("the token does not make such signatures with this key", ""),
    "DeviceRemoved": ("the token was removed", "plug it in again"),
    "TokenNotPresent": ("the token is not in its slot", "plug it in"),
}


class TokenSigner(HeldKey):
    """A private key on a token; a Signer.  Made by ``Token.signer``, of use until its token is closed."""

    def __init__(
        self, key: Any, public_key: PublicKey, mechanism: tuple[str, str], where: str, pin: str | None = None
    ) -> None:
        """Take a private key of the library, its public part and one of its algorithm's mechanisms.

        ``pin`` is that of a key which requires it at every signature (CKA_ALWAYS_AUTHENTICATE).
        """
        super().__init__(key, public_key)
        self._pin = pin
        self._mechanism = mechanism
        self._where = where

    def sign(self, data: bytes) -> bytes:
        """The signature over ``data`` in COSE's form.  Raises KeyFileError where the token makes none."""
        import pkcs11

        name, digest = self._mechanism
        options: dict[str, Any] = {"mechanism": pkcs11.Mechanism[name]}
        if self.algorithm in _PSS:
            hash_name, salt_size = _PSS[self.algorithm]
            options["mechanism_param"] = (pkcs11.Mechanism[hash_name], pkcs11.MGF[hash_name], salt_size)
        if self._pin is not None:
            options["pin"] = self._pin
        message = hashlib.new(digest, data).digest() if digest else bytes(data)
        with _refusals("the token did not sign", self._where):
            return bytes(self._key.sign(message, **options))


class Token:
    """A token that was found, closed at first; ``text`` says which one, without anything secret."""

    def __init__(self, token: Any, module_path: str, text: str) -> None:
        """Take a token of the library and the path of its PKCS#11 library."""
        self._token = token
        self._module_path = module_path
        self._session: Any = None
        self._pin: str | None = None
        self.text = text

    @property
    def asks_itself(self) -> bool:
        """Whether the token takes its PIN on a pad of its own."""
        from pkcs11 import TokenFlag

        return bool(self._token.flags & TokenFlag.PROTECTED_AUTHENTICATION_PATH)

    @property
    def identity(self) -> object:
        """Equal for two that are one token."""
        return self._module_path, self._token.slot.slot_id

    def open(self, pin: bytes | None) -> None:
        """Log in; ``pin`` None: on the token's own pad.  Raises KeyFileError; the PIN is in no error."""
        from pkcs11.types import PROTECTED_AUTH

        try:
            given = PROTECTED_AUTH if pin is None else pin.decode("utf-8")
        except UnicodeDecodeError:  # not chained: it holds the PIN
            raise KeyFileError(
                "the PIN is wrong: it is not UTF-8", where=self.text, next_step="give the PIN again, in UTF-8"
            ) from None
        with _refusals("the token cannot be opened", self.text):
            self._session = self._token.open(user_pin=given)
        self._pin = given if isinstance(given, str) else None

    def signer(self, uri: TokenUri) -> TokenSigner:
        """The key that ``uri`` names, on the token opened before.

        Raises KeyFileError: no such key, several, one that no signature algorithm of a seal takes, one
        without a public part, or a token that does not make its signatures.
        """
        with _refusals("the key cannot be had from the token", str(uri)):
            key = self._one_key(uri)
            public = token_public_keys.public_key(self._session, key, str(uri))
            mechanism = self._mechanism(public.algorithm, str(uri))
            pin = self._pin if _asks_each_time(key) else None
        return TokenSigner(key, public, mechanism, str(uri), pin)

    def close(self) -> None:
        """Log out."""
        if self._session is not None:
            with _refusals("the token cannot be closed", self.text):
                self._session.close()
            self._session = self._pin = None

    def _one_key(self, uri: TokenUri) -> Any:
        from pkcs11 import Attribute, ObjectClass

        private: dict[Any, Any] = {Attribute.CLASS: ObjectClass.PRIVATE_KEY}
        wanted = dict(private)
        if uri.label is not None:
            wanted[Attribute.LABEL] = uri.label
        if uri.key_id is not None:
            wanted[Attribute.ID] = uri.key_id
        found = list(self._session.get_objects(wanted))
        if len(found) == 1:
            return found[0]
        if not found:
            there = list(self._session.get_objects(private))
            step = "give one of them" if there else "make a key with the token's own tool"
            what, seen, expected = "the token has no such private key", there, str(uri)
        else:
            step = "name both object and id"
            what, seen, expected = "several private keys on the token match", found, "one"
        # Tokens list their objects in no fixed order.
        names = sorted(token_public_keys.object_words(each) for each in seen)
        words = ", ".join(names[:8]) or "no private key"
        more = f" and {len(seen) - 8} more" if len(seen) > 8 else ""
        raise KeyFileError(what, where=self.text, found=words + more, expected=expected, next_step=step)

    def _mechanism(self, algorithm: SignatureAlgorithm, where: str) -> tuple[str, str]:
        import pkcs11

        there = set(self._token.slot.get_mechanisms())
        for name, digest in MECHANISMS[algorithm]:
            if pkcs11.Mechanism[name] in there:
                return name, digest
        expected = " or ".join(name for name, _ in MECHANISMS[algorithm])
        what = f"the token does not make {algorithm.name} signatures"
        raise KeyFileError(what, where=where, found="none of its mechanisms", expected=expected)


def find_token(uri: TokenUri, module_path: str) -> Token:
    """The one token that ``uri`` requires, among those of the PKCS#11 library at ``module_path``.

    Raises ExtraMissing without ``python-pkcs11``; KeyFileError: a library that does not load, no such
    token, several.
    """
    try:
        import pkcs11
    except ImportError as error:
        raise ExtraMissing(
            "keys on a token need the library python-pkcs11",
            where=str(uri),
            expected="extra hsm",
            next_step="pip install 'gemel[hsm]'",
        ) from error
    try:
        library = pkcs11.lib(module_path)
    except (pkcs11.PKCS11Error, OSError, ValueError) as error:
        raise KeyFileError(
            "the PKCS#11 library cannot be loaded",
            where=module_path,
            expected="the PKCS#11 library that came with the token",
            next_step="correct module-path in the URI, or GEMEL_PKCS11_MODULE",
        ) from error
    with _refusals("the tokens cannot be listed", module_path):
        tokens = list(_tokens(library))
        found = [token for token in tokens if _fits(token, uri)]
    if len(found) == 1:
        return Token(found[0], module_path, uri.token_words)
    seen = ", ".join(_token_words(token) for token in (found or tokens)[:8]) or "no token"
    if found:
        problem = Problem(
            "several tokens match",
            where=uri.token_words,
            found=seen,
            expected="one",
            next_step="add serial=... to the URI",
        )
    else:
        none = "plug it in, and look at the configuration of the PKCS#11 library"
        problem = Problem(
            "there is no such token",
            where=uri.token_words,
            found=seen,
            expected="one that is there",
            next_step="name the token as it is listed" if tokens else none,
        )
    raise KeyFileError(problem)


def _tokens(library: Any) -> Iterator[Any]:
    import pkcs11

    for slot in library.get_slots(token_present=True):
        try:
            token = slot.get_token()
        except (pkcs11.TokenNotPresent, pkcs11.TokenNotRecognised):
            continue
        if token.flags & pkcs11.TokenFlag.TOKEN_INITIALIZED:
            yield token


def _fits(token: Any, uri: TokenUri) -> bool:
    texts = {"label": uri.token, "manufacturer_id": uri.manufacturer, "model": uri.model}
    if any(text is not None and getattr(token, name) != text for name, text in texts.items()):
        return False
    if uri.serial is not None and bytes(token.serial) != uri.serial.encode("utf-8"):
        return False
    return uri.slot_id is None or token.slot.slot_id == uri.slot_id


def _token_words(token: Any) -> str:
    return f"{token.label!r} (serial {bytes(token.serial).decode('ascii', 'replace')})"


def _asks_each_time(key: Any) -> bool:
    import pkcs11

    try:
        return bool(key[pkcs11.Attribute.ALWAYS_AUTHENTICATE])
    except pkcs11.AttributeTypeInvalid:  # the token knows no such keys
        return False


@contextmanager
def _refusals(what: str, where: str) -> Iterator[None]:
    """Turn the library's exceptions, whose texts say little, into a problem in plain words."""
    import pkcs11

    try:
        yield
    except pkcs11.PKCS11Error as error:
        name = type(error).__name__
        reason, step = _REASONS.get(name, (f"PKCS#11 says {name}", ""))
        raise KeyFileError(f"{what}: {reason}", where=where, next_step=step) from error
