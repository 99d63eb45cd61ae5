"""The seal's page agrees with what the code writes and says all that it must."""

from __future__ import annotations

from records import tide_gauge_record
from seal_keys import key_for, sign_all

from gemel.record import record
from gemel.seals.keys.algorithms import ALGORITHMS, ED25519, Registration
from gemel.seals.page import PagePart, page, parts_of_a_seal, parts_of_the_signed_bytes
from gemel.seals.seal import SealFault, bytes_to_sign, seal_size

RECORD = record.encode(tide_gauge_record())


def assert_made_of(data: bytes, parts: list[PagePart]) -> None:
    """``data`` is the parts, one behind the other, and nothing more."""
    place = 0
    for content, meaning in parts:
        size = content if isinstance(content, int) else len(content)
        if isinstance(content, bytes):
            assert data[place : place + size] == content, meaning
        place += size
    assert place == len(data)


def test_the_diagrams_are_those_of_a_real_seal() -> None:
    """Byte by byte, the page draws the seal and the signed bytes that one Ed25519 key really gives."""
    key = key_for("Ed25519")
    assert_made_of(sign_all(RECORD, [key]), parts_of_a_seal())
    assert_made_of(bytes_to_sign(RECORD, ED25519, key.public_key.fingerprint), parts_of_the_signed_bytes())
    assert "0x52    64  ...             the signature" in page()


def test_every_algorithm_is_there_with_its_numbers() -> None:
    """Each algorithm's name, identifier and sizes stand in one line; what shows its registration is marked."""
    lines = page().splitlines()
    for each in ALGORITHMS:
        (line,) = (line for line in lines if line.startswith(f"{each.name:<14}  {each.cose_id}"))
        words = line.replace(",", "").split()
        assert words[1].endswith("**") == (each.evidence is Registration.RFC_9964)
        numbers = [str(each.public_key_size), str(each.signature_size), str(seal_size([each]))]
        assert words[3:6] == numbers
        assert words[6] == ("yes" if each.same_bytes else "no")
    assert "** seen in the examples of RFC 9964, whose signatures hold here" in lines


def test_the_page_names_every_fault_and_every_threat() -> None:
    """Each fault that a reader finds, and each of the 18 threats of RFC 9124 4.2, is there."""
    text = " ".join(page().split())
    making = {SealFault.NO_SIGNER, SealFault.TOO_MANY_SIGNERS, SealFault.NO_ROOM}
    for fault in set(SealFault) - making:
        assert fault.value in text
    for number, name in ((1, "IMG.EXPIRED"), (8, "IMG.REPLACE"), (16, "KEY.EXPOSURE"), (18, "MFST.TOCTOU")):
        assert f"{number} {name} " in text
    assert sum(line[:4].strip().isdigit() and line[23:32].strip() != "" for line in page().splitlines()) >= 18


def test_the_page_says_what_a_seal_does_not_do() -> None:
    """Promises, cautions, rotation and two-step signing each have their title."""
    lines = page().splitlines()
    for title in (
        "What a seal promises",
        "What it does not",
        "Threats",
        "Rotation of keys",
        "Signing in two steps",
        "Cautions",
        "What a reader does, on the device too",
    ):
        assert lines[lines.index(title) + 1] == "-" * len(title)


def test_the_page_fits_a_terminal() -> None:
    """No line is wider than 80 columns, and none ends in a space."""
    assert all(len(line) <= 80 and line == line.rstrip() for line in page().splitlines())
