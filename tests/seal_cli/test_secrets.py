"""No key and no pass phrase in anything that gemel prints or writes, however a command ends."""

from __future__ import annotations

import base64
from pathlib import Path

import pytest
from cryptography.hazmat.primitives import serialization
from sealed_device import JOIN, Ran, Run, private_of, write_key

PHRASE = "swordfish-4711-swordfish"
ALGORITHMS = ("Ed25519", "ECDSA-P256", "RSA-3072-PSS", "ML-DSA-65")
PIECE = 12
"""Bytes of a secret in a row that must not be seen; fewer could be there by chance."""


def secret_texts(path: Path) -> set[str]:
    """Each piece of a private key's secret number in hex, in base64 as the file has it, and in decimal."""
    key = private_of(path)
    read = serialization.load_pem_private_key(key.to_pem(), None)
    der = key.to_der()
    texts = set(path.read_text().splitlines()[1:-1])
    if hasattr(read, "private_numbers"):
        numbers = read.private_numbers()
        names = ("private_value", "d", "p", "q")
        secrets = [getattr(numbers, name) for name in names if hasattr(numbers, name)]
        texts |= {str(number)[:30] for number in secrets}
        texts |= {f"{number:x}"[: 2 * PIECE] for number in secrets}
    else:
        raw = read.private_bytes_raw()
        texts |= {raw.hex()[: 2 * PIECE], str(raw)[2:-1][:PIECE], base64.b64encode(raw).decode()[: 2 * PIECE]}
    return texts | {der.hex()[-2 * PIECE :]}


def files_less(folder: Path, *names: str) -> dict[str, bytes]:
    """Every file in the folder but those named."""
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.name not in names}


@pytest.mark.parametrize("algorithm", ALGORITHMS)
def test_nothing_of_a_key_is_printed_or_written(device: Path, gemel: Run, algorithm: str) -> None:
    """Making, showing, using and misusing a key prints and writes no piece of its secret."""
    write_key(device / "made.pem", algorithm)
    Path("bent.pem").touch(0o600)
    Path("bent.pem").write_text(Path("made.pem").read_text().replace("A", "B"))
    (device / "twice.pem").write_bytes(Path("made.pem").read_bytes() * 2)
    sign = ("sign", "small.toml", "plain.hex")
    commands = (
        ("keys", "show", "made.pem"),
        ("keys", "show", "made.pem", "--format", "json"),
        ("keys", "show", "bent.pem"),
        ("keys", "show", "twice.pem"),
        ("keys", "public", "made.pem", "-o", "public.pem"),
        ("keys", "public", "made.pem", "-o", "public.der"),
        (*JOIN, "-o", "sealed.hex", "--key", "made.pem"),
        (*JOIN, "-o", "sealed.hex", "--key", "bent.pem"),
        (*JOIN, "-o", "sealed.hex", "--key", "made.pem", "--key", "made.pem"),
        (*JOIN, "-o", "sealed.hex", "--key", "made.pem", "--pass-phrase-env", "HOME"),
        (*JOIN, "-o", "plain.hex", "--leave-unsealed"),
        (*sign, "--key", "made.pem", "-o", "later.hex"),
        (*sign, "--to-be-signed", "t", "--public", "made.pem"),
        (*sign, "--signature", "made.pem", "--public", "made-pub.pem", "-o", "x.hex"),
        ("sign", "made.pem", "made.pem", "--key", "made.pem", "-o", "x.hex"),
        ("join", "made.pem", "station=made.pem", "-o", "x.hex", "--key", "made.pem"),
        ("check", "small.toml", "made.pem"),
        ("show", "made.pem"),
    )
    secrets = secret_texts(device / "made.pem")
    assert len(secrets) >= 3
    for command in commands:
        done = gemel("-v", *command)
        assert done.code in (0, 1, 2)
        assert "fault in gemel" not in done.err, command
        seen = [secret for secret in secrets if secret in done.everything]
        assert seen == [], command
    for name, data in files_less(device, "made.pem", "bent.pem", "twice.pem").items():
        text = data.decode("latin-1")
        assert not [secret for secret in secrets if secret in text], name


def test_nothing_of_a_pass_phrase_is_printed_or_written(
    device: Path, gemel: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Right, wrong and misplaced pass phrases appear nowhere: not on either stream, not in any file."""
    monkeypatch.setenv("PHRASE", PHRASE)
    monkeypatch.setenv("WRONG", PHRASE[::-1])
    write_key(device / "other.pem", "Ed25519", b"something else")
    given = ("--pass-phrase-env", "PHRASE")
    commands: tuple[tuple[str, ...], ...] = (
        ("keys", "new", "ECDSA-P256", "-o", "key.pem", "--public", "pub.pem", *given),
        ("keys", "new", "ECDSA-P256", "-o", "key.pem", *given),
        ("keys", "show", "key.pem", *given),
        ("keys", "show", "key.pem", "--pass-phrase-env", "WRONG"),
        ("keys", "show", "pub.pem", *given),
        (*JOIN, "-o", "a.hex", "--key", "key.pem", *given),
        (*JOIN, "-o", "b.hex", "--key", "other.pem", *given),
        (*JOIN, "-o", "b.hex", *given),
        (*JOIN, "-o", "b.hex", "--key", "key.pem", "--pass-phrase-file", PHRASE),
        (*JOIN, "-o", "b.hex", "--key", "key.pem", "--pass-phrase-env", PHRASE),
        (*JOIN, "-o", "b.hex", "--key", "key.pem", f"--pass-phrase={PHRASE}"),
        (*JOIN, "-o", "b.hex", "--key", f"pkcs11:object=a?pin-value={PHRASE}"),
        (*JOIN, "-o", "b.hex", "--key", f"pkcs11:object=a;pin-value={PHRASE}"),
        (*JOIN, "-o", "b.hex", "--key", f"pkcs11:object=a?pin_value={PHRASE}"),
        (*JOIN, "-o", "b.hex", "--key", f"pkcs11:object=a;{PHRASE}"),
        (*JOIN, "-o", "b.hex", "--key", f"pkcs11:object=a?pin-source=|{PHRASE}"),
        ("sign", "small.toml", "a.hex", "--key", "key.pem", *given, "-o", "c.hex"),
    )
    codes = []
    for command in commands:
        done: Ran = gemel("-v", *command)
        codes.append(done.code)
        assert PHRASE not in done.everything, command
        assert PHRASE[::-1] not in done.everything, command
        assert "fault in gemel" not in done.err, command
    right = [code for code, command in zip(codes, commands, strict=True) if command[-1] == "PHRASE"]
    assert right.count(0) == 3
    for name, data in files_less(device).items():
        assert PHRASE.encode() not in data, name


def test_the_text_of_what_holds_secrets(device: Path) -> None:
    """Neither repr nor str of the objects on the way shows a pass phrase or a key."""
    from gemel.cli.signing.pass_phrases import PassPhrases
    from gemel.files.new_files import NewFile
    from gemel.seals.keys.token_uri import parse_token_uri

    key = write_key(device / "key.pem")
    uri = parse_token_uri(f"pkcs11:object=a?pin-source=file:/{PHRASE}")
    things = (PassPhrases((Path(PHRASE),), (PHRASE,)), NewFile(Path("a"), key.to_pem()), uri, key)
    secrets = secret_texts(device / "key.pem") | {PHRASE}
    for thing in things:
        assert not [secret for secret in secrets if secret in f"{thing!r} {thing}"]


def test_a_fault_inside_shows_no_secret(device: Path, gemel: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    """Even where gemel itself goes wrong while it signs, ``-v`` shows names and lines, and no values."""
    write_key(device / "key.pem", "Ed25519", PHRASE.encode())
    monkeypatch.setenv("PHRASE", PHRASE)

    def broken(*_: object) -> bytes:
        raise RuntimeError("out of order")

    monkeypatch.setattr("gemel.seals.keys.schemes.signature_by", broken)
    done = gemel("-v", *JOIN, "-o", "a.hex", "--key", "key.pem", "--pass-phrase-env", "PHRASE")
    assert done.code == 2
    assert "fault in gemel" in done.err
    assert PHRASE not in done.everything
