"""Keys: made, written, read in every form, and refused in plain words that tell no secret."""

from __future__ import annotations

import base64
import hashlib
import pickle
import subprocess
import traceback
from contextlib import suppress
from pathlib import Path
from typing import NoReturn

import pytest
from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec, ed448, ed25519, mldsa, rsa, x25519
from cryptography.hazmat.primitives.serialization import (
    BestAvailableEncryption,
    Encoding,
    NoEncryption,
    PrivateFormat,
    PublicFormat,
)
from hypothesis import given, settings
from hypothesis import strategies as st
from seal_keys import RFC8032_TEST_1, VECTORS, key_for
from tools import required_tool

from gemel.seals.keys import keys, schemes
from gemel.seals.keys.algorithms import algorithm_named, algorithm_names, unknown_algorithm
from gemel.seals.keys.files import is_encrypted, load_private_key, load_public_key
from gemel.seals.keys.keys import ROUNDS, KeyFileError, PrivateKey, PublicKey, Signer, new_private_key

PASS_PHRASE = b"a pass phrase of nobody"


def refused(load, *arguments) -> str:
    """The words with which a key is refused."""
    with pytest.raises(KeyFileError) as caught:
        load(*arguments)
    return str(caught.value)


@pytest.mark.parametrize("name", algorithm_names())
def test_a_new_key_signs_and_is_not_the_last_one(name: str) -> None:
    """A new key of each algorithm has it, signs what its public part verifies, and differs from another."""
    key: Signer = new_private_key(name)
    assert key.algorithm.name == name
    assert key.public_key.verify(key.sign(b"m"), b"m")
    if not name.startswith("RSA"):
        assert new_private_key(name.lower()).public_key != key.public_key


@pytest.mark.parametrize("name", algorithm_names())
@pytest.mark.parametrize("pass_phrase", [None, PASS_PHRASE], ids=["plain", "encrypted"])
def test_private_keys_are_written_and_read_back(name: str, pass_phrase: bytes | None) -> None:
    """PEM and DER, plain and encrypted, give the same key back, and say whether they are encrypted."""
    key = key_for(name)
    for data in (key.to_pem(pass_phrase), key.to_der(pass_phrase)):
        assert is_encrypted(data) == (pass_phrase is not None)
        assert load_private_key(data, "key", pass_phrase).public_key == key.public_key


@pytest.mark.parametrize("name", algorithm_names())
def test_public_keys_are_written_and_read_back(name: str) -> None:
    """PEM and DER give the same public key back; its fingerprint is SHA-256 of the DER."""
    key = key_for(name).public_key
    assert load_public_key(key.to_pem(), "key") == key
    assert load_public_key(key.to_der(), "key") == key
    assert key.fingerprint == hashlib.sha256(key.to_der()).digest()
    assert not is_encrypted(key.to_pem())


@pytest.mark.parametrize("name", ["Ed25519", "ECDSA-P256", "ECDSA-P384", "RSA-3072-PSS", "RSA-4096-PSS"])
def test_openssl_reads_our_keys_and_agrees_on_the_fingerprint(name: str, tmp_path: Path) -> None:
    """The openssl command opens our encrypted PEM; the SHA-256 of its public part is the fingerprint."""
    openssl = required_tool("openssl")
    key = key_for(name)
    (tmp_path / "key.pem").write_bytes(key.to_pem(PASS_PHRASE))
    (tmp_path / "pass").write_bytes(PASS_PHRASE)
    command = [openssl, "pkey", "-in", "key.pem", "-passin", "file:pass", "-pubout", "-outform", "DER"]
    public = subprocess.run(command, cwd=tmp_path, capture_output=True, check=True).stdout
    assert public == key.public_key.to_der()
    assert hashlib.sha256(public).digest() == key.public_key.fingerprint


def test_encrypted_keys_take_many_rounds(monkeypatch: pytest.MonkeyPatch) -> None:
    """An encrypted key names PBES2, PBKDF2 with HMAC-SHA-256 and 600,000 rounds, and AES-256 in CBC."""
    monkeypatch.setattr(keys, "ROUNDS", ROUNDS)
    data = key_for("Ed25519").to_der(PASS_PHRASE)
    assert ROUNDS == 600_000
    assert bytes.fromhex("0203") + (600_000).to_bytes(3, "big") in data
    for identifier in ("2a864886f70d01050d", "2a864886f70d01050c", "2a864886f70d0209", "60864801650304012a"):
        assert bytes.fromhex(identifier) in data
    assert key_for("Ed25519").to_der(PASS_PHRASE) != data


@pytest.mark.parametrize("pass_phrase", [b"", b"x" * 1024])
def test_pass_phrases_of_no_or_too_many_bytes_are_refused(pass_phrase: bytes) -> None:
    """An empty pass phrase, and one that other readers would not take, encrypts nothing."""
    assert "1 to 1,023 bytes" in refused(key_for("Ed25519").to_pem, pass_phrase)


def library_pem(key, form=PrivateFormat.PKCS8, pass_phrase: bytes | None = None) -> bytes:
    """A private key of the library in PEM."""
    encryption = BestAvailableEncryption(pass_phrase) if pass_phrase else NoEncryption()
    return key.private_bytes(Encoding.PEM, form, encryption)


def public_pem(key) -> bytes:
    """The public part of a private key of the library in PEM."""
    return key.public_key().public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)


def test_the_traditional_forms_are_read() -> None:
    """SEC 1 and PKCS#1, plain, encrypted, and behind EC PARAMETERS as openssl does, are the same keys."""
    for name in ("ECDSA-P256", "ECDSA-P384", "RSA-3072-PSS"):
        key = key_for(name)
        for pass_phrase in (None, PASS_PHRASE):
            pem = library_pem(key._key, PrivateFormat.TraditionalOpenSSL, pass_phrase)
            assert is_encrypted(pem) == (pass_phrase is not None)
            assert load_private_key(pem, "key", pass_phrase).public_key == key.public_key
    parameters = b"-----BEGIN EC PARAMETERS-----\nBggqhkjOPQMBBw==\n-----END EC PARAMETERS-----\n"
    pem = library_pem(key_for("ECDSA-P256")._key, PrivateFormat.TraditionalOpenSSL)
    assert load_private_key(parameters + pem, "key").public_key == key_for("ECDSA-P256").public_key
    rsa_public = key_for("RSA-3072-PSS")._key.public_key().public_bytes(Encoding.PEM, PublicFormat.PKCS1)
    assert load_public_key(rsa_public, "key") == key_for("RSA-3072-PSS").public_key


def test_text_around_a_block_and_other_line_ends_are_passed_over() -> None:
    """A key with text around it, or with the line ends of another system, is read."""
    key = key_for("Ed25519")
    pem = key.public_key.to_pem()
    assert load_public_key(b"release key 2027\n\n" + pem + b"\nend\n", "key") == key.public_key
    assert load_public_key(pem.replace(b"\n", b"\r\n"), "key") == key.public_key
    assert load_private_key(key.to_pem().replace(b"\n", b"\r\n"), "key").public_key == key.public_key


def test_a_compressed_point_has_the_fingerprint_of_the_key() -> None:
    """An EC public key with a compressed point is brought into the one form, with the same fingerprint."""
    key = key_for("ECDSA-P256")
    point = key._key.public_key().public_bytes(Encoding.X962, PublicFormat.CompressedPoint)
    spki = bytes.fromhex("3039301306072a8648ce3d020106082a8648ce3d030107032200") + point
    assert load_public_key(spki, "key") == key.public_key


UNSUPPORTED = (
    (lambda: rsa.generate_private_key(65537, 2048), "an RSA key of 2,048 bits"),
    (lambda: ec.generate_private_key(ec.SECP521R1()), "an EC key on curve secp521r1"),
    (lambda: ec.generate_private_key(ec.SECP256K1()), "an EC key on curve secp256k1"),
    (ed448.Ed448PrivateKey.generate, "Ed448"),
    (x25519.X25519PrivateKey.generate, "X25519"),
    (mldsa.MLDSA44PrivateKey.generate, "ML-DSA-44"),
)


@pytest.mark.parametrize(("make", "words"), UNSUPPORTED, ids=[words for _, words in UNSUPPORTED])
def test_keys_that_no_algorithm_takes_are_named(make, words: str) -> None:
    """A sound key of another kind or size is refused by name, with what is supported, private or public."""
    key = make()
    for said in (
        refused(load_private_key, library_pem(key), "key.pem"),
        refused(load_public_key, public_pem(key), "key.pem"),
    ):
        assert words in said
        assert "an Ed25519 key" in said
        assert "an RSA key of 3,072 bits" in said
        assert "an ML-DSA-87 key" in said
        assert said.startswith("key.pem: ")


def test_an_rsa_key_with_a_small_exponent_is_refused() -> None:
    """RSA of the right size with exponent 3 is refused, and the exponent named."""
    public = key_for("RSA-3072-PSS")._key.public_key().public_numbers()
    small = rsa.RSAPublicNumbers(3, public.n).public_key()
    said = refused(load_public_key, small.public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo), "k")
    assert "a public exponent below 65,537" in said


FILES = (
    # files of the package cryptography-vectors: private or public, pass phrase, words of the refusal
    ("DER_Serialization/testrsa.der", "private", None, "an RSA key of"),
    ("DER_Serialization/enc-rsa-pkcs8.der", "private", None, "encrypted, and no pass phrase"),
    ("DER_Serialization/enc-rsa-pkcs8.der", "private", b"wrong", "does not open the key"),
    ("DER_Serialization/enc-rsa-pkcs8.der", "private", b"foobar", "an RSA key of 1,024 bits"),
    ("PKCS8/enc-rsa-pkcs8.pem", "private", b"foobar", "an RSA key of 1,024 bits"),
    ("PKCS8/enc-unknown-algorithm.pem", "private", b"foobar", "encrypted in a way"),
    ("PKCS8/bad-encryption-oid.pem", "private", b"foobar", "encrypted in a way"),
    ("PKCS8/unknown-oid.der", "private", None, "does not know"),
    ("PKCS8/invalid-version.der", "private", None, "not a key, or damaged"),
    ("EC/truncated-private-key.der", "private", None, "not a key, or damaged"),
    ("EC/ec-missing-curve.pem", "private", None, "not a key, or damaged"),
    ("PKCS8/ec-inconsistent-curve.pem", "private", None, "not a key, or damaged"),
    ("PKCS8/wrong-pem-delimiter-rsa.pem", "private", None, ""),
    ("MLDSA/mldsa65_noseed_priv.der", "private", None, "of ML-DSA with its seed"),
    ("MLDSA/mldsa44_priv.der", "private", None, "ML-DSA-44"),
    ("MLDSA/mldsa44_pub.der", "public", None, "ML-DSA-44"),
    ("Ed448/ed448-pkcs8.pem", "private", None, "Ed448"),
    ("Ed25519/ed25519-pub.pem", "private", None, "a public key where a private one is expected"),
    ("Ed25519/ed25519-pub.der", "private", None, "a public key where a private one is expected"),
    ("Ed25519/ed25519-pkcs8.pem", "public", None, "a private key where a public one is expected"),
    ("Ed25519/ed25519-pkcs8.der", "public", None, "a private key where a public one is expected"),
    ("Ed25519/ed25519-pkcs8-enc.pem", "public", None, "a private key where a public one is expected"),
    ("Ed25519/ed25519-pkcs8-enc.der", "public", None, "a private key where a public one is expected"),
    ("PEM_Serialization/dsa_private_key.pem", "private", b"123456", "DSA"),
    ("PEM_Serialization/dsa_public_key.pem", "public", None, "DSA"),
    ("PEM_Serialization/rsa_wrong_delimiter_public_key.pem", "public", None, ""),
    ("Traditional_OpenSSL_Serialization/dsa.2048.pem", "private", None, "DSA"),
    ("OpenSSH/ed25519-nopsw.key", "private", None, "OpenSSH's own format"),
    ("OpenSSH/ed25519-nopsw.key.pub", "public", None, "not a key, or damaged"),
    ("EC/secp521r1-explicit-no-seed.pem", "private", None, "secp521r1"),
    ("DH/dhkey.pem", "private", None, "DH"),
)


@pytest.mark.parametrize(
    ("file", "kind", "pass_phrase", "words"), FILES, ids=[f"{f[0]}-{f[2]}" for f in FILES]
)
def test_published_files_that_are_no_keys_for_a_seal_are_refused(file, kind, pass_phrase, words) -> None:
    """Damaged, encrypted, unknown and unsupported keys of the package cryptography-vectors are refused, by
    what is wrong with them."""
    data = (VECTORS / file).read_bytes()
    load = (load_private_key, data, file, pass_phrase) if kind == "private" else (load_public_key, data, file)
    said = refused(*load)
    assert words in said
    assert said.startswith(f"{file}: ")


READ = (
    ("Ed25519/ed25519-pkcs8.pem", None, "Ed25519"),
    ("Ed25519/ed25519-pkcs8.der", None, "Ed25519"),
    ("Ed25519/ed25519-pkcs8-enc.pem", b"password", "Ed25519"),
    ("Ed25519/ed25519-pkcs8-enc.der", b"password", "Ed25519"),
    ("PKCS8/ed25519-scrypt.pem", b"hunter42", "Ed25519"),
    ("PEM_Serialization/ec_private_key.pem", None, "ECDSA-P256"),
    ("PEM_Serialization/ec_private_key_encrypted.pem", b"123456", "ECDSA-P256"),
    ("PKCS8/ec_private_key.pem", None, "ECDSA-P256"),
    ("PKCS8/ec_private_key_encrypted.pem", b"123456", "ECDSA-P256"),
)


@pytest.mark.parametrize(("file", "pass_phrase", "name"), READ, ids=[each[0] for each in READ])
def test_published_private_keys_are_read(file: str, pass_phrase: bytes | None, name: str) -> None:
    """Private keys of the package cryptography-vectors, written by other tools, are read and sign."""
    key = load_private_key((VECTORS / file).read_bytes(), file, pass_phrase)
    assert key.algorithm.name == name
    assert key.public_key.verify(key.sign(b"m"), b"m")


def test_a_file_holds_one_key() -> None:
    """No block, two keys, half a block, another label and a file too large are refused by what they are."""
    pem = key_for("Ed25519").public_key.to_pem()
    assert "2 complete PEM blocks" in refused(load_public_key, pem + pem, "k")
    assert "0 complete PEM blocks" in refused(load_public_key, pem[:60], "k")
    assert "an empty file" in refused(load_public_key, b"", "k")
    certificate = refused(
        load_public_key, b"-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n", "my k"
    )
    assert "a certificate" in certificate
    assert "openssl x509 -in 'my k' -pubkey -noout -out PUBKEY" in certificate
    assert "found an Intel HEX file" in refused(load_public_key, b":00000001FF\n", "k")
    assert "found an ELF file" in refused(load_private_key, b"\x7fELF" + bytes(60), "k")
    assert "found 5 bytes" in refused(load_public_key, b"ssh: ", "k")
    for start in (b"ssh-ed25519 AAAA", b"ecdsa-sha2-nistp256 AAAA"):
        assert "found a public key in OpenSSH's own format" in refused(load_public_key, start, "k")
    assert "a PEM block of another kind" in refused(
        load_private_key, b"-----BEGIN X-----\nAAAA\n-----END X-----\n", "k"
    )
    assert "too large" in refused(load_private_key, bytes(70_000), "k")
    assert "not encrypted" in refused(load_private_key, key_for("Ed25519").to_pem(), "k", b"x")


@pytest.mark.parametrize(
    ("name", "hint"),
    [
        ("ed25519 ", "Ed25519"),
        ("ES256", "ECDSA-P256"),
        ("P256", "ECDSA-P256"),
        ("p_384", "ECDSA-P384"),
        ("rsa3072", "RSA-3072-PSS"),
        ("MLDSA65", "ML-DSA-65"),
    ],
)
def test_unknown_algorithms_get_the_nearest_one(name: str, hint: str) -> None:
    """An algorithm that nobody knows is refused with the known ones and the nearest; case does not matter."""
    assert algorithm_named(name) is None
    assert unknown_algorithm(name).next_step == f'did you mean "{hint}"?'
    assert f'did you mean "{hint}"?' in refused(new_private_key, name)
    assert algorithm_named(hint.lower()) is algorithm_named(hint)


def test_a_library_without_ml_dsa_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the installed cryptography cannot do an algorithm, making and reading its keys say so."""

    def unsupported(*_: object) -> NoReturn:
        raise UnsupportedAlgorithm("ML-DSA-65 is not supported by this backend.")

    pem = key_for("ML-DSA-65").to_pem()
    monkeypatch.setattr(mldsa.MLDSA65PrivateKey, "generate", unsupported)
    assert "cannot make an ML-DSA-65 key" in refused(new_private_key, "ML-DSA-65")
    monkeypatch.setattr(serialization, "load_pem_private_key", unsupported)
    assert "the installed library cryptography does not know" in refused(load_private_key, pem, "k")


def test_an_algorithm_far_from_all_gets_no_hint() -> None:
    """A name like none of the known ones is refused without a guess, cut short and escaped."""
    problem = unknown_algorithm("\x1b" + "z" * 500)
    assert problem.next_step == ""
    assert "\x1b" not in str(problem)
    assert len(str(problem)) < 250


def secrets_of(key: PrivateKey) -> list[bytes]:
    """What must never be shown of a private key: its PKCS#8 behind the header, as such and in text."""
    der = key.to_der()
    raw = der[-32:] if key.algorithm.name in ("Ed25519", "ML-DSA-65", "ML-DSA-87") else der[60:92]
    return [
        raw,
        raw.hex().encode(),
        raw.hex().upper().encode(),
        base64.b64encode(der)[-40:-4],
        repr(raw).encode(),
    ]


def everything_said(error: BaseException) -> bytes:
    """An error with all its causes, as text, as repr and as a traceback."""
    said = "".join(traceback.format_exception(error))
    while error is not None:
        said += f"{error} {error!r} {error.args!r}"
        error = error.__cause__ or error.__context__  # type: ignore[assignment]
    return said.encode("utf-8", "backslashreplace")


@pytest.mark.parametrize("name", algorithm_names())
def test_no_secret_in_text_or_errors(name: str) -> None:
    """No text, repr, error or cause of one, of damaged keys too, shows a private key or pass phrase."""
    key = key_for(name)
    secrets = [*secrets_of(key), PASS_PHRASE]
    assert any(secret in key.to_der() for secret in secrets)
    shown = [f"{key} {key!r} {key.public_key} {key.public_key!r}".encode()]
    plain_pem, plain_der, locked = key.to_pem(), key.to_der(), key.to_pem(PASS_PHRASE)
    inputs = [
        *(
            (data[:cut], pass_phrase)
            for data in (plain_pem, plain_der)
            for cut in (20, 40, -30, -1)
            for pass_phrase in (None, PASS_PHRASE)
        ),
        *((plain_der[:place] + b"\xff" + plain_der[place + 1 :], None) for place in range(0, 40, 3)),
        (plain_pem, PASS_PHRASE),
        (plain_der, PASS_PHRASE),
        (locked, None),
        (locked[:200] + b"A" + locked[201:], PASS_PHRASE),
        (locked, PASS_PHRASE + b"!"),
        (plain_pem.replace(b" PRIVATE KEY", b" PUBLIC KEY"), None),
        (plain_pem + plain_pem, None),
    ]
    failures = 0
    for data, pass_phrase in inputs:
        for load in (
            lambda d, p: load_private_key(d, "key.pem", p),
            lambda d, _: load_public_key(d, "key.pem"),
        ):
            try:
                load(data, pass_phrase)
            except KeyFileError as error:
                failures += 1
                shown.append(everything_said(error))
    assert failures > len(inputs)
    for said in shown:
        for secret in secrets:
            assert secret not in said


def test_a_private_key_is_not_pickled() -> None:
    """Pickling a private key, which would put it anywhere, is refused."""
    with pytest.raises(TypeError, match="not pickled"):
        pickle.dumps(key_for("Ed25519"))


@settings(max_examples=300, deadline=None)
@given(
    st.one_of(
        st.binary(max_size=200), st.sampled_from(["Ed25519", "ECDSA-P384", "RSA-3072-PSS", "ML-DSA-65"])
    ),
    st.data(),
)
def test_any_bytes_are_a_key_or_a_key_file_error(start, data) -> None:
    """Any bytes, and keys with pieces changed, end in a key or in a KeyFileError, and nothing else."""
    if isinstance(start, str):
        key = key_for(start)
        whole = data.draw(
            st.sampled_from([key.to_der(), key.to_pem(), key.public_key.to_der(), key.public_key.to_pem()])
        )
        place = data.draw(st.integers(0, len(whole)))
        start = (
            whole[:place] + data.draw(st.binary(max_size=6)) + whole[place + data.draw(st.integers(0, 6)) :]
        )
    for load in (load_private_key, load_public_key):
        try:
            key = load(start, "k")
        except KeyFileError:
            continue
        assert isinstance(key, (PublicKey, PrivateKey))
    assert is_encrypted(start) in (True, False)


def test_equal_keys_are_equal_by_their_public_part() -> None:
    """A public key equals another of the same bytes, and can be looked up in a set."""
    again = ed25519.Ed25519PrivateKey.from_private_bytes(bytes.fromhex(RFC8032_TEST_1)).public_key()
    loaded = load_public_key(again.public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo), "k")
    assert loaded in {key_for("Ed25519").public_key}


PRIME = 2**255 - 19
SMALL = [
    value.to_bytes(32, "little")
    for y in (0, 1, PRIME - 1, schemes._SMALL_ORDER[2], PRIME - schemes._SMALL_ORDER[2])
    for value in (y, y | 1 << 255)
]


@pytest.mark.parametrize("point", [*SMALL, PRIME.to_bytes(32, "little"), (PRIME + 1).to_bytes(32, "little")])
def test_an_ed25519_key_that_anybody_can_sign_for_is_refused(point: bytes) -> None:
    """The attack: a signature of zeros holds for some of few messages (RFC 8032 5.1.7), whoever made it."""
    library = ed25519.Ed25519PublicKey.from_public_bytes(point)
    forged = (1).to_bytes(32, "little") + bytes(32)

    def holds(message: bytes) -> bool:
        with suppress(InvalidSignature):
            library.verify(forged, message)
            return True
        return False

    if point in SMALL and point not in (SMALL[3], SMALL[5]):  # these two have a sign that x = 0 cannot have
        assert any(holds(bytes([number])) for number in range(200))
    der = bytes.fromhex("302a300506032b6570032100") + point
    with pytest.raises(KeyFileError, match="anybody can sign"):
        load_public_key(der, "small.der")
