"""``seal-well-formed``: bytes in the seal's area that are not a seal in its one form."""

from __future__ import annotations

from image_edits import changed
from sealed_images import OLD, P256, SEAL, cut_away, of, sealed, unsealed
from small_device import findings

from gemel.seals.cose import ALGORITHM, CONTENT_TYPE, KEY_ID, CoseSign, Signature, encode
from gemel.seals.format import RECORD_CONTENT_TYPE
from gemel.spans import Span

RULE = "seal-well-formed"
WHOLE = Span(SEAL, 146)
"""A seal of one Ed25519 or ECDSA-P256 signer."""
KID = OLD.public_key.fingerprint


def _cose(**values: object) -> bytes:
    """A COSE_Sign that is as a seal is but for ``values``."""
    signer = Signature({ALGORITHM: -8, KEY_ID: KID}, bytes(64))
    parts = {"protected": {CONTENT_TYPE: RECORD_CONTENT_TYPE}, "signatures": (signer,), **values}
    return encode(CoseSign(**parts))  # type: ignore[arg-type]


def _with(data: bytes):  # type: ignore[no-untyped-def]
    return lambda: of(RULE, changed(unsealed(), {SEAL: data}))


BREAKS = {
    "overwritten with zeros": lambda: of(RULE, cut_away(sealed(OLD), 0)),
    "its tag another": lambda: of(RULE, changed(sealed(OLD), {SEAL + 1: b"\x63"})),
    "cut short": lambda: of(RULE, changed(sealed(OLD), {SEAL + 60: b"\xff" * 86})),
    "a byte after it": lambda: of(RULE, changed(sealed(OLD), {SEAL + 0xFFF: b"\0"})),
    "two seals, one after the other": lambda: of(
        RULE, changed(sealed(OLD), {WHOLE.end: sealed(P256).read(WHOLE, None)})
    ),
    "not of a record": _with(_cose(protected={CONTENT_TYPE: "application/cbor"})),
    "a payload of its own": _with(_cose(payload=b"record")),
    "more in its headers": _with(_cose(unprotected={6: b"more"})),
    "an algorithm that no seal has": _with(
        _cose(signatures=(Signature({ALGORITHM: -257, KEY_ID: KID}, bytes(64)),))
    ),
    "a signature of the wrong size": _with(
        _cose(signatures=(Signature({ALGORITHM: -8, KEY_ID: KID}, bytes(63)),))
    ),
    "a key id that is no fingerprint": _with(
        _cose(signatures=(Signature({ALGORITHM: -8, KEY_ID: b"release"}, bytes(64)),))
    ),
    "several at once": _with(
        _cose(payload=b"", signatures=(Signature({ALGORITHM: -8, KEY_ID: KID}, b""),) * 2)
    ),
}

KEEPS = {
    "one signer": lambda: of(RULE, sealed(OLD)),
    "two signers": lambda: of(RULE, sealed(OLD, P256)),
    "no key trusted": lambda: of(RULE, sealed(OLD), []),
}


def test_every_fault_is_a_finding() -> None:
    """All that is wrong with a seal is told at once."""
    assert len(findings(BREAKS["several at once"]())) == 4


def test_no_seal_is_not_checked() -> None:
    """Where nothing lies in the area there is no form to look at."""
    result = of(RULE, unsealed())
    assert [missing.reason for missing in result.not_applicable] == ["there is no seal"]
