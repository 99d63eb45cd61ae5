"""A real PKCS#11 token for the tests: SoftHSM (Debian's ``softhsm2``), its tokens in a folder of their own.

One folder serves the whole run: the PKCS#11 library reads its configuration once in a process.
"""

from __future__ import annotations

import functools
import os
import subprocess
import tempfile
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat, PublicFormat
from seal_keys import rsa_key
from tools import required_tool

PIN, WRONG_PIN, OFFICER_PIN = "735608", "111222", "90210744"
LABEL = "release token"
PLACES = (
    "/usr/lib/softhsm/libsofthsm2.so",
    "/usr/lib/x86_64-linux-gnu/softhsm/libsofthsm2.so",
    "/usr/lib/aarch64-linux-gnu/softhsm/libsofthsm2.so",
    "/usr/lib64/pkcs11/libsofthsm2.so",
    "/usr/local/lib/softhsm/libsofthsm2.so",
)
CURVES = {"P-256": "secp256r1", "P-384": "secp384r1", "P-521": "secp521r1"}


def module_path() -> str:
    """SoftHSM's PKCS#11 library; skips or fails the running test where it or python-pkcs11 is missing."""
    required_tool("softhsm2-util")
    try:
        import pkcs11  # noqa: F401
    except ImportError:
        missing("python-pkcs11 (extra hsm) is not installed")
    found = next((place for place in PLACES if Path(place).exists()), None)
    return found or missing("libsofthsm2.so is in none of its usual places")


def missing(reason: str) -> Any:
    """Skip the running test, or fail it where CI asks for every tool."""
    if os.environ.get("GEMEL_REQUIRE_TOOLS") == "1":
        pytest.fail(f"{reason}, and GEMEL_REQUIRE_TOOLS=1 asks for it")
    pytest.skip(reason)


@functools.cache
def token_folder() -> tempfile.TemporaryDirectory[str]:
    """The folder with SoftHSM's configuration and tokens; ``SOFTHSM2_CONF`` leads there from now on."""
    folder = tempfile.TemporaryDirectory(prefix="gemel-tests-softhsm-")
    tokens = Path(folder.name, "tokens")
    tokens.mkdir()
    configuration = Path(folder.name, "softhsm2.conf")
    lines = (f"directories.tokendir = {tokens}", "objectstore.backend = file", "log.level = ERROR", "")
    configuration.write_text("\n".join(lines))
    os.environ["SOFTHSM2_CONF"] = str(configuration)
    return folder


def initialise(label: str) -> None:
    """Make a token of that label."""
    pins = ("--so-pin", OFFICER_PIN, "--pin", PIN)
    words = [required_tool("softhsm2-util"), "--init-token", "--free", "--label", label, *pins]
    subprocess.run(words, check=True, capture_output=True)


@functools.cache
def prepared() -> str:
    """The tokens with their keys, made once; the path of the PKCS#11 library.

    ``release token`` has a key of each kind; two tokens are called ``twin``.
    """
    path = module_path()
    token_folder()
    for label in (LABEL, "twin", "twin"):
        initialise(label)
    import pkcs11

    with pkcs11.lib(path).get_token(token_label=LABEL).open(rw=True, user_pin=PIN) as session:
        for number, (label, curve) in enumerate(CURVES.items(), 1):
            ec_key(session, label, bytes([number]), curve)
        ec_key(session, "double", b"\x10", "secp256r1")
        ec_key(session, "double", b"\x11", "secp256r1")
        ec_key(session, "lonely", b"\x12", "secp256r1")[0].destroy()
        edwards_key(session)
        for label, number, bits in (("RSA-3072", 4, 3072), ("RSA-4096", 5, 4096), ("RSA-2048", 6, 2048)):
            put_rsa_key(session, label, bytes([number]), bits)
        each_time = {pkcs11.Attribute.ALWAYS_AUTHENTICATE: True}
        put_rsa_key(session, "each time", b"\x07", 3072, each_time)
    return path


def put_rsa_key(
    session: Any, label: str, number: bytes, bits: int, more: dict[Any, Any] | None = None
) -> tuple[Any, Any]:
    """A published RSA key as a key pair, since a token takes seconds to make one; ``more`` is of the private part."""
    from pkcs11 import Attribute
    from pkcs11.util.rsa import decode_rsa_private_key, decode_rsa_public_key

    key = rsa_key(bits, 1)
    private = key.private_bytes(Encoding.DER, PrivateFormat.TraditionalOpenSSL, NoEncryption())
    public = key.public_key().public_bytes(Encoding.DER, PublicFormat.PKCS1)
    common = {Attribute.TOKEN: True, Attribute.LABEL: label, Attribute.ID: number}
    secret = {Attribute.PRIVATE: True, Attribute.SENSITIVE: True, **(more or {})}
    return (
        session.create_object({**decode_rsa_public_key(public), **common}),
        session.create_object({**decode_rsa_private_key(private), **common, **secret}),
    )


def ec_key(session: Any, label: str, number: bytes, curve: str) -> tuple[Any, Any]:
    """A key pair on a curve."""
    from pkcs11 import Attribute, KeyType, Mechanism
    from pkcs11.util.ec import encode_named_curve_parameters

    parameters = {Attribute.EC_PARAMS: encode_named_curve_parameters(curve)}
    domain = session.create_domain_parameters(KeyType.EC, parameters, local=True)
    return domain.generate_keypair(mechanism=Mechanism.EC_KEY_PAIR_GEN, store=True, label=label, id=number)


def edwards_key(session: Any) -> None:
    """An Ed25519 key pair, where SoftHSM was built with EdDSA (Debian's is)."""
    import pkcs11

    if pkcs11.Mechanism.EDDSA not in session.token.slot.get_mechanisms():
        return
    parameters = {pkcs11.Attribute.EC_PARAMS: b"\x13\x0cedwards25519"}
    domain = session.create_domain_parameters(pkcs11.KeyType.EC_EDWARDS, parameters, local=True)
    mechanism = pkcs11.Mechanism.EC_EDWARDS_KEY_PAIR_GEN
    domain.generate_keypair(mechanism=mechanism, store=True, label="Ed25519", id=b"\x08")


def token_has(mechanism: str) -> bool:
    """Whether the token has the mechanism of that name."""
    import pkcs11

    token = pkcs11.lib(prepared()).get_token(token_label=LABEL)
    return getattr(pkcs11.Mechanism, mechanism, None) in token.slot.get_mechanisms()


def uri(label: str, token: str = LABEL, **more: str) -> str:
    """The URI of a key, by its name; ``more`` are further parts of the query."""
    query = {"module-path": prepared(), **{name.replace("_", "-"): value for name, value in more.items()}}
    asked = "&".join(f"{name}={quote(value, safe='/:')}" for name, value in query.items())
    return f"pkcs11:token={quote(token)};object={quote(label)}?{asked}"
