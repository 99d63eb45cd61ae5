"""``pkcs11:`` URIs (RFC 7512): what is understood, what is refused, and that no PIN comes out again."""

from __future__ import annotations

import string
from contextlib import suppress
from urllib.parse import quote

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gemel.errors import GemelError
from gemel.seals.keys.keys import KeyFileError
from gemel.seals.keys.token_uri import TokenUri, is_token_uri, parse_token_uri

# RFC 7512 section 3 (from memory), less the parts that no private key has.
EXAMPLES = {
    "pkcs11:object=my-pubkey;type=private": TokenUri(label="my-pubkey"),
    "pkcs11:token=The%20Software%20PKCS%2311%20Softtoken;manufacturer=Snake%20Oil,%20Inc.;model=1.0;"
    "object=my-certificate;type=private;id=%69%95%3E%5C%F4%BD%EC%91;serial="
    "?pin-source=file:/etc/token_pin": TokenUri(
        token="The Software PKCS#11 Softtoken",
        manufacturer="Snake Oil, Inc.",
        model="1.0",
        label="my-certificate",
        key_id=bytes.fromhex("69953e5cf4bdec91"),
        serial="",
        pin_file="/etc/token_pin",
    ),
    "pkcs11:object=my-sign-key;type=private?module-path=/mnt/libmypkcs11.so.1": TokenUri(
        label="my-sign-key", module_path="/mnt/libmypkcs11.so.1"
    ),
    "pkcs11:slot-id=327;id=%00": TokenUri(slot_id=327, key_id=b"\0"),
    "PKCS11:object=a;;": TokenUri(label="a"),
    "pkcs11:object=a?pin-source=/plain/path": TokenUri(label="a", pin_file="/plain/path"),
    "pkcs11:object=a?pin-source=file:///three/slashes": TokenUri(label="a", pin_file="/three/slashes"),
    "pkcs11:object=a?pin-source=file:///C:/pin%20file": TokenUri(label="a", pin_file="C:/pin file"),
    "pkcs11:object=%c3%bcber": TokenUri(label="über"),
}

REFUSED = {
    "pkcs11:": "names no key",
    "pkcs11:token=a": "names no key",
    "pkcs11:object=a?pin-value=4711": "pin-value puts the PIN into an argument",
    "pkcs11:object=a;pin-value=4711": "pin-value puts the PIN into an argument",
    "pkcs11:object=a?module-name=softhsm": "module-path",
    "pkcs11:object=a;module-path=/x.so": "belongs after the '?'",
    "pkcs11:object=a?token=x": "belongs in front of the '?'",
    "pkcs11:object=a;vendor-thing=4711": "not understood",
    "pkcs11:object=a;4711": "not a part",
    "pkcs11:object=a?4711=b": "not a part",
    "pkcs11:object=a;object=b": "given twice",
    "pkcs11:object=a;type=public": "no private key",
    "pkcs11:object=a;slot-id=x4711": "slot",
    "pkcs11:object=a%zz4711": "percent-encoded",
    "pkcs11:object=a 4711": "percent-encoded",
    "pkcs11:object=%ff": "not UTF-8",
    "pkcs11:object=a%00": "NUL",
    "pkcs11:object=a?pin-source=|echo%204711": "no file",
    "pkcs11:object=a?pin-source=http://4711/": "no file",
    "pkcs11:object=a?pin-source=": "no file",
}


@pytest.mark.parametrize("text", EXAMPLES)
def test_understood(text: str) -> None:
    """Each URI names what RFC 7512 says it names."""
    assert is_token_uri(text)
    assert parse_token_uri(text) == EXAMPLES[text]


@pytest.mark.parametrize("text", REFUSED)
def test_refused(text: str) -> None:
    """Each URI is refused in words that fit, and no value that could be a PIN is repeated."""
    with pytest.raises(KeyFileError) as caught:
        parse_token_uri(text)
    said = str(caught.value)
    assert REFUSED[text] in said
    assert "4711" not in said


def test_everything_wrong_is_told_at_once() -> None:
    """Three faults in one URI are three problems."""
    with pytest.raises(KeyFileError) as caught:
        parse_token_uri("pkcs11:object=%ff;colour=red?pin-value=1")
    assert len(caught.value.problems) == 3


@given(st.text(min_size=1).filter(lambda text: "\0" not in text), st.binary(min_size=1, max_size=20))
def test_the_text_of_a_uri_names_the_same_key(label: str, key_id: bytes) -> None:
    """Whatever name and id a key has, its URI is read back from the text that messages show."""
    try:
        label.encode()
    except UnicodeEncodeError:
        return
    uri = TokenUri(token="t;=&?", label=label, key_id=key_id)
    assert parse_token_uri(str(uri)) == uri


@given(st.text(st.sampled_from(string.ascii_lowercase + string.digits + ";?&=%-:|/ "), max_size=60))
def test_any_text_is_understood_or_refused(text: str) -> None:
    """No text behind the scheme ends otherwise than in a key or in problems."""
    with suppress(GemelError):
        assert parse_token_uri("pkcs11:" + text) != TokenUri()


@given(st.text(st.characters(categories=["L", "N"]), min_size=6, max_size=20))
def test_a_pin_never_comes_out(pin: str) -> None:
    """A PIN as ``pin-value``, or a PIN's file, is in no error, text or repr."""
    pin = f"<{pin}>"
    with pytest.raises(KeyFileError) as caught:
        parse_token_uri(f"pkcs11:object=a?pin-value={quote(pin)}")
    assert pin not in str(caught.value)
    assert quote(pin) not in str(caught.value)
    uri = parse_token_uri(f"pkcs11:object=a?pin-source={quote(pin)}")
    assert pin not in f"{uri} {uri!r} {uri.token_words}"
    assert uri.pin_file == pin
