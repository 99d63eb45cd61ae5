"""Signatures made elsewhere with the ``openssl`` command line, by the very words that gemel prints.

A signing room needs no gemel: it gets a file, signs it with openssl, and hands the signature back.
"""

from __future__ import annotations

import shlex
import subprocess
from pathlib import Path

import pytest
from sealed_device import JOIN, Run, public_of, record_of, seal_of, write_key
from tools import required_tool

from gemel.seals.keys.algorithms import ALGORITHMS, ML_DSA_65
from gemel.seals.keys.keys import new_private_key
from gemel.seals.seal import SignatureOutcome, bytes_to_sign, verify
from gemel.seals.to_be_signed import openssl_command

SIGN = ("sign", "small.toml", "plain.hex")
WITH_OPENSSL_3_0 = tuple(each.name for each in ALGORITHMS if not each.quantum_safe)
COMMANDS = {
    "Ed25519": "openssl pkeyutl -sign -rawin -inkey KEY.pem -in record.tbs -out record.tbs.sig",
    "ECDSA-P256": "openssl dgst -sha256 -sign KEY.pem -out record.tbs.sig record.tbs",
    "ECDSA-P384": "openssl dgst -sha384 -sign KEY.pem -out record.tbs.sig record.tbs",
    "RSA-3072-PSS": (
        "openssl dgst -sha256 -sigopt rsa_padding_mode:pss -sigopt rsa_pss_saltlen:digest "
        "-sign KEY.pem -out record.tbs.sig record.tbs"
    ),
    "RSA-4096-PSS": (
        "openssl dgst -sha384 -sigopt rsa_padding_mode:pss -sigopt rsa_pss_saltlen:digest "
        "-sign KEY.pem -out record.tbs.sig record.tbs"
    ),
}


@pytest.fixture
def plain(device: Path, gemel: Run) -> Path:
    """The device's folder with an unsealed image."""
    assert gemel(*JOIN, "-o", "plain.hex", "--leave-unsealed").code == 0
    return device


def signed_by_openssl(command: str) -> None:
    """Run a command as it is printed, with the key in ``key.pem``."""
    words = shlex.split(command.replace("KEY.pem", "key.pem"))
    subprocess.run([required_tool(words[0]), *words[1:]], check=True, capture_output=True)


@pytest.mark.parametrize("algorithm", WITH_OPENSSL_3_0)
def test_openssl_signs_what_was_handed_over(plain: Path, gemel: Run, algorithm: str) -> None:
    """The command that gemel prints makes a signature that gemel takes in, and the sealed image holds."""
    key = write_key(plain / "key.pem", algorithm)
    handed = gemel(*SIGN, "--to-be-signed", "record.tbs", "--public", "key-pub.pem")
    assert handed.code == 0, handed.err
    assert COMMANDS[algorithm] in handed.out
    assert key.public_key.fingerprint.hex() in handed.out
    signed_by_openssl(COMMANDS[algorithm])
    words = ("--signature", "record.tbs.sig", "--public", "key-pub.pem", "-o", "sealed.hex")
    taken = gemel(*SIGN, *words)
    assert taken.code == 0, taken.err
    found = verify(seal_of(plain / "sealed.hex"), record_of(plain / "sealed.hex"), [key.public_key])
    assert [verdict.outcome for verdict in found] == [SignatureOutcome.GOOD]


def test_what_is_handed_over_is_what_is_signed(plain: Path, gemel: Run) -> None:
    """The file holds exactly the Sig_structure for that key (RFC 9052 4.4), and no image is written."""
    write_key(plain / "key.pem")
    gemel(*SIGN, "--to-be-signed", "record.tbs", "--public", "key-pub.pem")
    key = public_of(plain / "key-pub.pem")
    expected = bytes_to_sign(record_of(plain / "plain.hex"), key.algorithm, key.fingerprint)
    assert Path("record.tbs").read_bytes() == expected
    assert expected.startswith(b"\x85\x69Signature")
    assert sorted(path.name for path in plain.glob("*.hex")) == ["plain.hex"]


@pytest.mark.parametrize("algorithm", ["Ed25519", "ECDSA-P256"])
def test_the_same_seal_as_with_the_key(plain: Path, gemel: Run, algorithm: str) -> None:
    """Deterministic signatures made with the private key outside give the very image that ``--key`` gives.

    ECDSA comes in as r || s here; in DER it comes from openssl, whose signatures are not deterministic.
    """
    key = write_key(plain / "key.pem", algorithm)
    gemel(*SIGN, "--to-be-signed", "record.tbs", "--public", "key-pub.pem")
    Path("record.sig").write_bytes(key.sign(Path("record.tbs").read_bytes()))
    gemel(*SIGN, "--signature", "record.sig", "--public", "key-pub.pem", "-o", "a.hex")
    gemel(*SIGN, "--key", "key.pem", "-o", "b.hex")
    assert Path("a.hex").read_bytes() == Path("b.hex").read_bytes()


def test_two_rooms_one_after_the_other(plain: Path, gemel: Run) -> None:
    """A second room's signature joins the first one's by ``--add``, or both come at once, in pairs."""
    keys = {name: write_key(plain / f"{name}.pem") for name in ("north", "south")}
    words = [w for n in keys for w in ("--to-be-signed", f"{n}.tbs", "--public", f"{n}-pub.pem")]
    assert gemel(*SIGN, *words).code == 0
    for name, key in keys.items():
        Path(f"{name}.sig").write_bytes(key.sign(Path(f"{name}.tbs").read_bytes()))
    pairs = {n: ("--signature", f"{n}.sig", "--public", f"{n}-pub.pem") for n in keys}
    assert gemel(*SIGN, *pairs["north"], *pairs["south"], "-o", "once.hex").code == 0
    assert gemel(*SIGN, *pairs["north"], "-o", "first.hex").code == 0
    second = ("sign", "small.toml", "first.hex", *pairs["south"], "--add", "--trust", "north-pub.pem")
    assert gemel(*second, "-o", "second.hex").code == 0
    assert Path("once.hex").read_bytes() == Path("second.hex").read_bytes()


def test_a_signature_from_elsewhere_beside_a_key_here(plain: Path, gemel: Run) -> None:
    """``--signature`` and ``--key`` make one seal of two signers."""
    away, here = write_key(plain / "away.pem"), write_key(plain / "here.pem", "ECDSA-P384")
    gemel(*SIGN, "--to-be-signed", "t", "--public", "away-pub.pem")
    Path("t.sig").write_bytes(away.sign(Path("t").read_bytes()))
    words = ("--signature", "t.sig", "--public", "away-pub.pem", "--key", "here.pem", "-o", "sealed.hex")
    assert gemel(*SIGN, *words).code == 0
    trusted = [away.public_key, here.public_key]
    found = verify(seal_of(plain / "sealed.hex"), record_of(plain / "sealed.hex"), trusted)
    assert [verdict.good for verdict in found] == [True, True]


def test_what_was_given_in_place_of_a_signature_is_named(plain: Path, gemel: Run) -> None:
    """The request itself, another key than the request names, another image than was asked for."""
    key, _ = write_key(plain / "key.pem"), write_key(plain / "other.pem")
    gemel(*SIGN, "--to-be-signed", "t.tbs", "--public", "key-pub.pem")
    Path("t.tbs.sig").write_bytes(key.sign(Path("t.tbs").read_bytes()))
    itself = gemel(*SIGN, "--signature", "t.tbs", "--public", "key-pub.pem", "-o", "x.hex")
    assert (itself.code, "the bytes to be signed" in itself.err) == (2, True)
    wrong_key = gemel(*SIGN, "--signature", "t.tbs.sig", "--public", "other-pub.pem", "-o", "x.hex")
    assert (wrong_key.code, "given with another key than it was requested of" in wrong_key.err) == (2, True)
    assert not Path("x.hex").exists()


WRONG = ("of another key", "over other bytes", "with a flipped bit", "cut", "grown", "empty", "huge")


@pytest.mark.parametrize("algorithm", ["Ed25519", "ECDSA-P256", "RSA-3072-PSS"])
@pytest.mark.parametrize("wrong", WRONG)
def test_a_wrong_signature_is_not_written(plain: Path, gemel: Run, algorithm: str, wrong: str) -> None:
    """A signature that is not that key's over this record is refused before anything is written."""
    key = write_key(plain / "key.pem", algorithm)
    gemel(*SIGN, "--to-be-signed", "t", "--public", "key-pub.pem")
    data = Path("t").read_bytes()
    good = key.sign(data)
    other = new_private_key(algorithm) if wrong == "of another key" else key
    Path("t.sig").write_bytes(
        {
            "of another key": other.sign(data),
            "over other bytes": key.sign(data + b"\0"),
            "with a flipped bit": good[:-1] + bytes([good[-1] ^ 1]),
            "cut": good[:-1],
            "grown": good + b"\0",
            "empty": b"",
            "huge": bytes(1 << 20),
        }[wrong]
    )
    done = gemel(*SIGN, "--signature", "t.sig", "--public", "key-pub.pem", "-o", "sealed.hex")
    assert (done.code, done.err.count("error: ")) == (2, 1), done.everything
    assert "t.sig" in done.err
    assert not Path("sealed.hex").exists()


def test_der_with_another_tail_is_refused(plain: Path, gemel: Run) -> None:
    """An ECDSA signature in DER with bytes behind it is no signature."""
    write_key(plain / "key.pem", "ECDSA-P256")
    gemel(*SIGN, "--to-be-signed", "record.tbs", "--public", "key-pub.pem")
    signed_by_openssl(COMMANDS["ECDSA-P256"])
    with Path("record.tbs.sig").open("ab") as file:
        file.write(b"\0")
    done = gemel(*SIGN, "--signature", "record.tbs.sig", "--public", "key-pub.pem", "-o", "x.hex")
    assert done.code == 2


def test_every_wrong_signature_is_told(plain: Path, gemel: Run) -> None:
    """Two signatures that came back in each other's file are two errors of one run."""
    for name in ("north", "south"):
        key = write_key(plain / f"{name}.pem")
        gemel(*SIGN, "--to-be-signed", f"{name}.tbs", "--public", f"{name}-pub.pem")
        Path(f"{name}.sig").write_bytes(key.sign(Path(f"{name}.tbs").read_bytes()))
    words = ("--signature", "north.sig", "--public", "south-pub.pem")
    done = gemel(*SIGN, *words, "--signature", "south.sig", "--public", "north-pub.pem", "-o", "x.hex")
    assert (done.code, done.err.count("error: ")) == (2, 2)


def test_a_private_key_where_the_public_one_is_due(plain: Path, gemel: Run) -> None:
    """``--public`` with a private key's file is refused, in words."""
    write_key(plain / "key.pem")
    done = gemel(*SIGN, "--to-be-signed", "t", "--public", "key.pem")
    assert done.code == 2
    assert "a private key where a public one is expected" in done.err
    assert "gemel keys public " in done.err
    assert not Path("t").exists()


def test_a_file_with_a_blank_in_its_name(plain: Path, gemel: Run) -> None:
    """The printed command is quoted for a shell."""
    write_key(plain / "key.pem")
    done = gemel(*SIGN, "--to-be-signed", "to be signed", "--public", "key-pub.pem")
    assert "-in 'to be signed' -out 'to be signed.sig'" in done.out


def test_the_command_for_ml_dsa_names_the_version() -> None:
    """For ML-DSA the command is that of OpenSSL 3.5 (from memory; not run here)."""
    words = openssl_command(ML_DSA_65, "k", "f", "s")
    assert " ".join(words) == "openssl pkeyutl -sign -inkey k -in f -out s"


def test_help_and_page_have_the_same_commands(gemel: Run) -> None:
    """The help of ``gemel sign`` and ``explain seal`` show the words that are printed and tested here."""
    help_text = " ".join(gemel("sign", "--help").out.split())
    page_text = " ".join(gemel("explain", "seal").out.split())
    for algorithm in ALGORITHMS:
        words = " ".join(openssl_command(algorithm, "KEY", "BYTES", "SIG"))
        name = "ML-DSA" if algorithm.quantum_safe else algorithm.name
        assert f"{name} {words}" in help_text
        assert f"{name} {words}" in page_text
