"""Keys on a token: a real SoftHSM, through PKCS#11, on the command line and beneath it."""

from __future__ import annotations

import hashlib
import subprocess
import sys
from pathlib import Path

import pytest
from seal_cli import softhsm
from seal_cli.softhsm import PIN, WRONG_PIN, prepared, uri
from sealed_device import (
    JOIN,
    Run,
    public_of,
    read_device,
    record_of,
    seal_of,
    write_device,
    write_key,
)
from terminal import on_terminal
from tools import required_tool

from gemel.errors import GemelError
from gemel.seals.keys import token_keys
from gemel.seals.keys.algorithms import ED25519
from gemel.seals.keys.token_keys import MECHANISMS, find_token
from gemel.seals.keys.token_uri import parse_token_uri
from gemel.seals.seal import SignatureOutcome, verify

NAMES = {
    "P-256": "ECDSA-P256",
    "P-384": "ECDSA-P384",
    "RSA-3072": "RSA-3072-PSS",
    "RSA-4096": "RSA-4096-PSS",
    "Ed25519": "Ed25519",
    "each time": "RSA-3072-PSS",
}
OUT = ("-o", "tide.hex")


@pytest.fixture(autouse=True)
def hsm(monkeypatch: pytest.MonkeyPatch) -> None:
    """The tokens, and their PIN in the environment."""
    prepared()
    monkeypatch.setenv("TOKEN_PIN", PIN)


WITH_PIN = ("--pass-phrase-env", "TOKEN_PIN")


def needs(label: str) -> None:
    """Skip, with the reason, a test of a key that this SoftHSM cannot have."""
    if label == "Ed25519" and not softhsm.token_has("EDDSA"):
        softhsm.missing("this SoftHSM was built without EdDSA")


@pytest.mark.parametrize("label", NAMES)
def test_a_key_on_the_token_seals(device: Path, gemel: Run, label: str) -> None:
    """A key of each kind on the token seals, and holds by its public part, got with ``keys public``.

    ``each time`` is a key that asks for the PIN at every signature (CKA_ALWAYS_AUTHENTICATE).
    """
    needs(label)
    done = gemel(*JOIN, *OUT, "--key", uri(label), *WITH_PIN)
    assert done.code == 0, done.err
    assert gemel("keys", "public", uri(label), "-o", "pub.pem", *WITH_PIN).code == 0
    public = public_of(device / "pub.pem")
    assert public.algorithm.name == NAMES[label]
    found = verify(seal_of(device / "tide.hex"), record_of(device / "tide.hex"), [public])
    assert [verdict.outcome for verdict in found] == [SignatureOutcome.GOOD]
    assert PIN not in done.everything


def test_openssl_agrees_on_the_public_part(device: Path, gemel: Run) -> None:
    """The fingerprint of ``keys show`` is SHA-256 of what openssl makes of the public part."""
    for label in ("P-256", "P-384", "RSA-3072"):
        name = f"{label}.pem"
        assert gemel("keys", "public", uri(label), "-o", name, *WITH_PIN).code == 0
        words = [required_tool("openssl"), "pkey", "-pubin", "-in", name, "-outform", "DER"]
        der = subprocess.run(words, check=True, capture_output=True).stdout
        shown = gemel("keys", "show", uri(label), *WITH_PIN)
        assert hashlib.sha256(der).hexdigest() in shown.out
        assert "private key on a token" in shown.out


def test_the_tokens_own_tool_agrees_on_the_public_part(device: Path, gemel: Run) -> None:
    """The public part read by another PKCS#11 program (``pkcs11-tool`` of OpenSC) is the same."""
    words = [required_tool("pkcs11-tool"), "--module", prepared(), "--token-label", softhsm.LABEL]
    words += ["--read-object", "--type", "pubkey", "--label", "P-256", "--output-file", "theirs.der"]
    subprocess.run(words, check=True, capture_output=True)
    assert gemel("keys", "public", uri("P-256"), "-o", "ours.der", *WITH_PIN).code == 0
    assert Path("ours.der").read_bytes() == Path("theirs.der").read_bytes()


def test_a_token_beside_a_file_and_the_pin_asked_once(device: Path, gemel: Run) -> None:
    """Two keys of one token and one in a file make one seal; the token's PIN is wanted once."""
    write_key(device / "key.pem", "Ed25519", b"phrase")
    Path("pin").write_text(PIN)
    Path("phrase").write_text("phrase")
    words = ("--key", uri("P-256"), "--key", "key.pem", "--key", uri("P-384"))
    phrases = ("--pass-phrase-file", "pin", "--pass-phrase-file", "phrase")
    done = gemel(*JOIN, *OUT, *words, *phrases)
    assert done.code == 0, done.err
    assert len(seal_of(device / "tide.hex").signers) == 3


def test_the_pin_is_asked_on_the_terminal(device: Path) -> None:
    """Without an option the PIN is asked for, once, by the token's name, and the screen does not show it."""
    words = (*JOIN, *OUT, "--key", uri("P-256"), "--key", uri("P-384"))
    code, screen = on_terminal(device, words, [("PIN of pkcs11:token=release%20token: ", PIN)])
    assert code == 0, screen
    assert screen.count("PIN of") == 1
    assert PIN not in screen


@pytest.mark.parametrize("form", ["{}", "file:{}", "file://{}"])
def test_the_pin_from_a_file_that_the_uri_names(device: Path, gemel: Run, form: str) -> None:
    """``pin-source`` as a path or a file URI (RFC 7512 2.4) opens the token."""
    Path("pin file").write_text(PIN + "\n")
    source = form.format(device / "pin file")
    done = gemel(*JOIN, *OUT, "--key", uri("P-256", pin_source=source))
    assert done.code == 0, done.err


def test_the_library_from_the_environment(device: Path, gemel: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without ``module-path`` the library is what GEMEL_PKCS11_MODULE names; without both, an error."""
    text = "pkcs11:token=release%20token;object=P-256"
    done = gemel("keys", "show", text, *WITH_PIN)
    assert (done.code, "GEMEL_PKCS11_MODULE" in done.err) == (2, True)
    monkeypatch.setenv("GEMEL_PKCS11_MODULE", prepared())
    assert gemel("keys", "show", text, *WITH_PIN).code == 0


def test_a_key_by_its_id(device: Path, gemel: Run) -> None:
    """A key is found by its id alone, and of two with one name by name and id."""
    by_id = uri("P-256").replace("object=P-256", "id=%01")
    both = uri("double").replace("object=double", "object=double;id=%11")
    assert gemel("keys", "show", by_id, *WITH_PIN).out.count("ECDSA-P256") == 1
    assert gemel("keys", "show", both, *WITH_PIN).code == 0


def test_sign_with_a_token(device: Path, gemel: Run) -> None:
    """``gemel sign`` takes a token's key too."""
    assert gemel(*JOIN, "-o", "plain.hex", "--leave-unsealed").code == 0
    done = gemel("sign", "small.toml", "plain.hex", "--key", uri("P-384"), *WITH_PIN, "-o", "sealed.hex")
    assert done.code == 0, done.err
    assert [signer.algorithm.name for signer in seal_of(device / "sealed.hex").signers] == ["ECDSA-P384"]


def twin(pin_file: str) -> str:
    """The URI of a token whose name another one has too."""
    return uri("P-256", token="twin", pin_source=pin_file)


FAULTS = {
    "a wrong PIN": (lambda: uri("P-256", pin_source="wrong"), "the PIN is wrong"),
    "a short PIN": (lambda: uri("P-256", pin_source="short"), "the PIN is wrong"),
    "a PIN that is no text": (lambda: uri("P-256", pin_source="bytes"), "not UTF-8"),
    "a file for the PIN that is not there": (lambda: uri("P-256", pin_source="none"), "cannot be read"),
    "no such key": (lambda: uri("P-999", pin_source="right"), "no such private key"),
    "two keys of one name": (lambda: uri("double", pin_source="right"), "several private keys"),
    "no such token": (lambda: uri("P-256", token="other", pin_source="right"), "no such token"),
    "two tokens of one name": (lambda: twin("right"), "several tokens match"),
    "a curve that seals do not take": (lambda: uri("P-521", pin_source="right"), "a curve with"),
    "RSA that is too short": (lambda: uri("RSA-2048", pin_source="right"), "an RSA key of 2,048 bits"),
    "no public part": (lambda: uri("lonely", pin_source="right"), "no public part"),
    "no library": (lambda: uri("P-256").replace("libsofthsm2", "libnone"), "cannot be loaded"),
    "a library that is none": (
        lambda: f"{uri('P-256').partition('?')[0]}?module-path=right",
        "cannot be loaded",
    ),
}


@pytest.mark.parametrize("name", FAULTS)
def test_what_goes_wrong_with_a_token(device: Path, gemel: Run, name: str) -> None:
    """Each way that a token fails is one error in plain words, nothing written, and no PIN in it."""
    for file, text in (("right", PIN), ("wrong", WRONG_PIN), ("short", "1")):
        Path(file).write_text(text)
    Path("bytes").write_bytes(b"73\xff5608")
    make, said = FAULTS[name]
    done = gemel("-v", *JOIN, *OUT, "--key", make())
    assert (done.code, done.err.count("error: ")) == (2, 1), done.everything
    assert said in done.err
    assert "fault in gemel" not in done.err
    assert PIN not in done.everything
    assert WRONG_PIN not in done.everything
    assert not Path("tide.hex").exists()


def test_what_is_there_is_listed(device: Path, gemel: Run) -> None:
    """The errors about keys and tokens that are not there name those that are."""
    no_key = gemel("keys", "show", uri("P-999"), *WITH_PIN)
    assert "EC object='P-256' id=0x01" in no_key.err
    found = " ".join(no_key.err.split()).split(" found ")[1].split(" expected ")[0].split(" and ")[0]
    told = found.split(", ")
    assert len(told) == 8
    assert told == sorted(told), "in one order, whatever the token's is"
    no_token = gemel("keys", "show", uri("P-256", token="other"), *WITH_PIN)
    assert "'release token' (serial " in " ".join(no_token.err.split())


def test_the_token_is_looked_for_before_the_pin_is_asked(device: Path, gemel: Run) -> None:
    """Without a terminal or an option, a token that is not there is what is told, not the missing PIN."""
    done = gemel(*JOIN, *OUT, "--key", uri("P-256", token="other"))
    assert "there is no such token" in done.err
    assert "PIN of" not in done.err


def test_a_broken_image_reaches_no_token(device: Path, gemel: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where a rule is broken the token is not opened: it signs nothing, and its PIN is not asked for."""
    import small_device

    Path("station.elf").write_bytes(small_device.station_elf(boot_constant=small_device.SAMPLER + 0x80))
    monkeypatch.setattr(token_keys.Token, "open", lambda *_: pytest.fail("it was opened"))
    assert gemel(*JOIN, *OUT, "--key", uri("P-256"), *WITH_PIN).code == 1


def test_the_library_is_an_extra(device: Path) -> None:
    """Without ``python-pkcs11`` the error names the extra to install; nothing else of gemel needs it."""
    hide = "import sys; sys.modules['pkcs11'] = None; from gemel.cli.entry import run; run()"
    words = [sys.executable, "-c", hide, "keys", "show", uri("P-256")]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert "gemel[hsm]" in done.stderr
    assert "Traceback" not in done.stderr
    words[3:] = [*JOIN, *OUT, "--leave-unsealed"]
    assert subprocess.run(words, capture_output=True, check=False).returncode == 0


def test_imported_late(device: Path) -> None:
    """A join with a key in a file does not import the PKCS#11 library."""
    write_key(device / "key.pem")
    code = (
        "import sys; from gemel.cli.main import exit_code; code = exit_code(sys.argv[1:]);"
        "sys.exit(99 if 'pkcs11' in sys.modules else code)"
    )
    words = [sys.executable, "-c", code, *JOIN, *OUT, "--key", "key.pem"]
    assert subprocess.run(words, capture_output=True, check=False).returncode == 0


@pytest.mark.parametrize("label", ["P-256", "P-384", "RSA-3072", "RSA-4096"])
@pytest.mark.parametrize("place", [0, 1])
def test_every_mechanism_makes_the_signature(monkeypatch: pytest.MonkeyPatch, label: str, place: int) -> None:
    """Digest made here and digest made by the token: either mechanism gives a signature that holds.

    SoftHSM 2.6 has no ECDSA with a digest of its own; what a token has not is refused.
    """
    one = {algorithm: (each[place],) for algorithm, each in MECHANISMS.items() if len(each) > place}
    monkeypatch.setattr(token_keys, "MECHANISMS", one)
    wanted = parse_token_uri(uri(label))
    token = find_token(wanted, prepared())
    token.open(PIN.encode())
    try:
        if label.startswith("P-") and place and not softhsm.token_has(f"ECDSA_SHA{label[2:]}"):
            with pytest.raises(GemelError, match=f"does not make {NAMES[label]} signatures"):
                token.signer(wanted)
            return
        signer = token.signer(wanted)
        assert signer.public_key.verify(signer.sign(b"what is signed"), b"what is signed")
    finally:
        token.close()


def test_a_token_without_the_mechanism(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the token has none of the mechanisms, the error says which were looked for."""
    needs("Ed25519")
    monkeypatch.setattr(token_keys, "MECHANISMS", {ED25519: (("ML_DSA", ""),)})
    wanted = parse_token_uri(uri("Ed25519"))
    token = find_token(wanted, prepared())
    token.open(PIN.encode())
    try:
        with pytest.raises(GemelError, match="does not make Ed25519 signatures"):
            token.signer(wanted)
    finally:
        token.close()


def test_a_public_part_of_another_key_is_found_out(device: Path, gemel: Run) -> None:
    """Where the token pairs a private key with another's public part, nothing is sealed."""
    import pkcs11

    with pkcs11.lib(prepared()).get_token(token_label=softhsm.LABEL).open(rw=True, user_pin=PIN) as session:
        softhsm.ec_key(session, "mixed", b"\x20", "secp256r1")[0].destroy()
        public, private = softhsm.ec_key(session, "mixed up", b"\x21", "secp256r1")
        private.destroy()
        public[pkcs11.Attribute.ID] = b"\x20"
    done = gemel(*JOIN, *OUT, "--key", uri("mixed"), *WITH_PIN)
    assert done.code == 2
    assert "a signature is not that of the key over the record" in done.err
    assert not Path("tide.hex").exists()


def test_rsa_without_a_public_object(device: Path, gemel: Run) -> None:
    """An RSA key needs no public object beside it: the private one tells modulus and exponent."""
    import pkcs11

    with pkcs11.lib(prepared()).get_token(token_label=softhsm.LABEL).open(rw=True, user_pin=PIN) as session:
        public, _ = softhsm.put_rsa_key(session, "alone", b"\x22", 3072)
        public.destroy()
    assert gemel(*JOIN, *OUT, "--key", uri("alone"), *WITH_PIN).code == 0


def test_too_little_room_for_a_tokens_key(device: Path, gemel: Run) -> None:
    """Where the token's signature does not fit, the error says so and the token signs nothing."""
    small = 'seal = { memory = "flash", offset = "11 KiB", size = 256'
    write_device(device, replace={'seal = { memory = "flash", offset = "11 KiB", size = "1 KiB"': small})
    assert read_device(device).layout.span_of("seal").size == 256
    done = gemel(*JOIN, *OUT, "--key", uri("RSA-3072"), *WITH_PIN)
    assert (done.code, "the area is too small" in done.err) == (2, True)
