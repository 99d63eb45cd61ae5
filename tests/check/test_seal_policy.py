"""``gemel check`` on sealed images: each sentence of what the seal's policy promises, from the command line.

Layout, image and public keys are files; the builds are never at hand.
"""

from __future__ import annotations

import json
import subprocess
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from image_edits import changed
from record_edits import with_record
from sealed_images import (
    ML_DSA,
    NEW,
    OLD,
    P256,
    REQUIRED,
    ROOM,
    STRANGER,
    cut_away,
    sealed,
    sealed_layout,
    unsealed,
    with_seal_of,
)
from small_device import FLASH, TODAY, layout_text
from tools import required_tool

from gemel.cli.main import exit_code
from gemel.image.intel_hex import encode
from gemel.image.sparse import SparseBytes

KEYS = {"old": OLD, "new": NEW, "stranger": STRANGER, "p256": P256, "ml-dsa": ML_DSA}
LATER = sealed_layout(rollback=8)


class Ended(NamedTuple):
    """How a check ended: its exit code, each rule's part of the report, and what went to stderr."""

    code: int
    rules: dict[str, Any]
    errors: str

    @property
    def broken(self) -> set[str]:
        """The names of the broken rules."""
        return {name for name, rule in self.rules.items() if rule["status"] == "broken"}

    def reasons(self, rule: str) -> list[str]:
        """Why a rule was not checked."""
        return [missing["reason"] for missing in self.rules[rule]["not_checked"]]

    def found(self, rule: str) -> list[str]:
        """What the findings of a rule found."""
        return [finding["found"] for finding in self.rules[rule]["findings"]]


class Bench:
    """A folder with the keys' public files, in which images are laid down and checked."""

    def __init__(self, capsys: pytest.CaptureFixture[str]) -> None:
        self.capsys = capsys
        for name, key in KEYS.items():
            Path(f"{name}.pem").write_bytes(key.public_key.to_pem())

    def check(
        self,
        image: SparseBytes,
        *words: str,
        seal: str = 'required = true\ntrust = ["old.pem"]\n',
        rules: str = "",
        replace: dict[str, str] | None = None,
    ) -> Ended:
        """What ``gemel check`` says of an image by a layout with ``seal`` in its table of that name."""
        text = layout_text({**ROOM, **(replace or {})}, f'\n[seal]\narea = "seal"\n{seal}{rules}')
        Path("small.toml").write_text(text, encoding="utf-8")
        Path("image.hex").write_bytes(b"".join(encode(image)))
        code = exit_code(["check", "small.toml", "image.hex", "--format", "json", *words])
        said = self.capsys.readouterr()
        rules_told = json.loads(said.out)["rules"] if code < 2 else []
        return Ended(code, {rule["name"]: rule for rule in rules_told}, said.err)


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Bench:
    """The bench, in an empty folder of its own."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("gemel.workflows.checking.date_of_today", lambda: TODAY)
    return Bench(capsys)


SEAL_RULES = {
    "seal-present",
    "seal-well-formed",
    "seal-by-trusted-key",
    "seal-algorithm-allowed",
    "seal-over-this-record",
    "seal-signers-known",
    "seal-signers-sufficient",
}


def test_a_sealed_image_passes(bench: Bench) -> None:
    """What the negative tests below begin with: an image sealed by a trusted key keeps all seven rules."""
    result = bench.check(sealed(OLD))
    assert (result.code, result.broken) == (0, set())
    assert {name for name, rule in result.rules.items() if name.startswith("seal-")} == SEAL_RULES
    assert {rule["status"] for name, rule in result.rules.items() if name in SEAL_RULES} == {"holds"}


def test_an_image_whose_seal_was_cut_away_is_refused(bench: Bench) -> None:
    """Erased, and overwritten: each has a finding of its own."""
    erased = bench.check(cut_away(sealed(OLD)))
    assert (erased.code, erased.broken) == (1, {"seal-present"})
    zeroed = bench.check(cut_away(sealed(OLD), 0))
    assert (zeroed.code, zeroed.broken) == (1, {"seal-well-formed"})


def test_an_image_whose_seal_was_replaced_by_another_valid_one_is_refused(bench: Bench) -> None:
    """A stranger's seal holds over this very record; its key is none that is trusted."""
    result = bench.check(sealed(STRANGER))
    assert (result.code, result.broken) == (1, {"seal-by-trusted-key"})


def test_an_image_whose_seal_was_moved_from_another_image_is_refused(bench: Bench) -> None:
    """The seal of a later version, by a trusted key; with that version at hand, even where it came from."""
    moved = with_seal_of(unsealed(), sealed(OLD, read=LATER))
    result = bench.check(moved)
    assert (result.code, result.broken) == (1, {"seal-over-this-record"})
    Path("later.hex").write_bytes(b"".join(encode(sealed(OLD, read=LATER))))
    told = bench.check(moved, "--previous", "later.hex")
    assert told.found("seal-over-this-record") == [
        f"Ed25519 key {OLD.public_key.fingerprint.hex()[:16]}...: "
        "it was made over the record of another image, of later.hex"
    ]


def test_an_image_that_was_downgraded_to_a_weaker_algorithm_is_refused(bench: Bench) -> None:
    """Also where the key of the weaker algorithm is trusted: only what is allowed counts."""
    seal = 'required = true\ntrust = ["p256.pem", "ml-dsa.pem"]\nalgorithms = ["ML-DSA-65"]\n'
    assert bench.check(sealed(ML_DSA), seal=seal).code == 0
    result = bench.check(sealed(P256), seal=seal)
    assert (result.code, result.broken) == (1, {"seal-algorithm-allowed"})


def test_an_image_stripped_of_one_signature_of_a_pair_is_refused(bench: Bench) -> None:
    """The other downgrade: of a pair the ML-DSA signer is taken away, or put aside for a classical one."""
    seal = 'required = true\ntrust = ["old.pem", "p256.pem", "ml-dsa.pem"]\npair = true\n'
    assert bench.check(sealed(P256, ML_DSA), seal=seal).code == 0
    for signers in ((P256,), (ML_DSA,), (P256, OLD)):
        result = bench.check(sealed(*signers), seal=seal)
        assert (result.code, result.broken) == (1, {"seal-signers-sufficient"})


UNSIGNED = {
    "with trust": ('required = true\ntrust = ["old.pem"]\n', ()),
    "without trust": ("required = true\n", ()),
    "trust from the command line": ("required = true\n", ("--trust", "old.pem")),
    "narrowed": ('required = true\ntrust = ["old.pem", "new.pem"]\n', ("--trust", "new.pem")),
    "several signers": ('required = true\ntrust = ["old.pem", "new.pem"]\nsigners = 2\n', ()),
    "a pair": ('required = true\ntrust = ["old.pem", "ml-dsa.pem"]\npair = true\n', ()),
    "algorithms": ('required = true\ntrust = ["old.pem"]\nalgorithms = ["Ed25519"]\n', ()),
    "a floor that it is above": ('required = true\ntrust = ["old.pem"]\n', ("--at-least", "1")),
}


@pytest.mark.parametrize("case", UNSIGNED)
def test_an_unsigned_image_where_one_is_due_never_passes(bench: Bench, case: str) -> None:
    """Whatever else layout and command line say, ``required`` refuses it by the rule of that name."""
    seal, words = UNSIGNED[case]
    result = bench.check(unsealed(), *words, seal=seal)
    assert result.code == 1
    assert "seal-present" in result.broken


@pytest.mark.parametrize("rule", sorted(SEAL_RULES))
def test_a_required_seal_can_be_neither_waived_nor_softened(bench: Bench, rule: str) -> None:
    """A layout that requires a seal and waives it, or makes a breach a note, is an error of exit code 2."""
    entry = f'rule = "{rule}", where = "seal", reason = "it hurries", until = 2030-01-01'
    waived = bench.check(unsealed(), rules=f"\n[rules]\nwaive = [{{ {entry} }}]\n")
    assert waived.code == 2
    assert "a rule that guards the image cannot be waived where a seal is required" in waived.errors
    entry = f'rule = "{rule}", severity = "note", reason = "it hurries"'
    softened = bench.check(unsealed(), rules=f"\n[rules]\nseverity = [{{ {entry} }}]\n")
    assert softened.code == 2
    assert "cannot count for less" in softened.errors


def test_checking_with_no_trusted_key_is_reported_as_not_checked(bench: Bench) -> None:
    """Where no seal is required, all that needs a key says so, and nothing of it counts as held."""
    result = bench.check(sealed(OLD), seal="required = false\n")
    assert result.code == 0
    for rule in ("seal-by-trusted-key", "seal-over-this-record", "seal-signers-sufficient"):
        assert result.rules[rule]["status"] == "not checked"
        assert result.reasons(rule) == ["needs a trusted key: --trust PUBKEY"]


def test_checking_with_no_trusted_key_fails_when_the_seal_is_required(bench: Bench) -> None:
    """A sound seal does not help: nobody can say whose it is."""
    result = bench.check(sealed(OLD), seal="required = true\n")
    assert (result.code, result.broken) == (1, {"seal-by-trusted-key"})
    assert result.reasons("seal-over-this-record") == ["needs a trusted key: --trust PUBKEY"]


def test_a_seal_that_is_not_required_must_still_be_right(bench: Bench) -> None:
    """An image may go without; one that has a seal is held to it."""
    seal = 'trust = ["old.pem"]\n'
    assert bench.check(unsealed(), seal=seal).code == 0
    assert bench.check(sealed(OLD), seal=seal).code == 0
    assert bench.check(sealed(STRANGER), seal=seal).broken >= {"seal-by-trusted-key"}
    assert bench.check(with_seal_of(unsealed(), sealed(OLD, read=LATER)), seal=seal).code == 1


def test_trust_on_the_command_line_narrows_that_of_the_layout(bench: Bench) -> None:
    """Of the layout's keys only those that are given count; the order and the file's form do not matter."""
    seal = 'required = true\ntrust = ["old.pem", "new.pem"]\n'
    Path("new.der").write_bytes(NEW.public_key.to_der())
    assert bench.check(sealed(OLD), seal=seal).code == 0
    assert bench.check(sealed(OLD), "--trust", "old.pem", seal=seal).code == 0
    assert bench.check(sealed(NEW), "--trust", "new.der", seal=seal).code == 0
    assert bench.check(sealed(OLD), "--trust", "new.der", "--trust", "old.pem", seal=seal).code == 0
    result = bench.check(sealed(OLD), "--trust", "new.pem", seal=seal)
    assert (result.code, result.broken) == (1, {"seal-by-trusted-key"})


def test_trust_on_the_command_line_gives_it_where_the_layout_has_none(bench: Bench) -> None:
    """A layout without trust leaves the choice to who checks."""
    seal = "required = true\n"
    assert bench.check(sealed(OLD), "--trust", "old.pem", seal=seal).code == 0
    assert bench.check(sealed(OLD), "--trust", "new.pem", "--trust", "old.pem", seal=seal).code == 0
    assert bench.check(sealed(OLD), "--trust", "new.pem", seal=seal).code == 1


def test_a_key_that_the_layout_does_not_trust_is_an_error(bench: Bench) -> None:
    """The command line does not widen the layout's trust, and all keys that would are told."""
    result = bench.check(sealed(STRANGER), "--trust", "stranger.pem", "--trust", "new.pem")
    assert result.code == 2
    assert result.errors.count("small.toml does not trust this key") == 2
    assert "one of the keys that small.toml trusts" in result.errors


BAD_TRUST = {
    "missing": ("nowhere.pem", "cannot be read"),
    "not a key": ("image.hex", "not a key, or damaged"),
    "a private key": ("private.pem", "a private key where a public one is expected"),
    "a folder": (".", "cannot be read as a file"),
    "several keys": ("both.pem", "not one key"),
}


@pytest.mark.parametrize("case", BAD_TRUST)
@pytest.mark.parametrize("by", ["layout", "command line"])
def test_a_trust_file_that_is_none_is_a_clear_error(bench: Bench, case: str, by: str) -> None:
    """Exit code 2, the file's name, what is wrong with it and who named it."""
    name, words = BAD_TRUST[case]
    Path("private.pem").write_bytes(OLD.to_pem())
    Path("both.pem").write_bytes(OLD.public_key.to_pem() + NEW.public_key.to_pem())
    if by == "layout":
        result = bench.check(sealed(OLD), seal=f'required = true\ntrust = ["old.pem", "{name}"]\n')
        origin = "trust in [seal] of small.toml"
    else:
        result = bench.check(sealed(OLD), "--trust", name)
        origin = "--trust"
    assert result.code == 2
    assert words in result.errors
    assert origin in result.errors
    assert "Traceback" not in result.errors


def test_every_trust_file_that_is_none_is_told(bench: Bench) -> None:
    """Layout and command line together, all at once."""
    result = bench.check(
        sealed(OLD), "--trust", "b.pem", seal='required = true\ntrust = ["a.pem", "old.pem", "c.pem"]\n'
    )
    assert result.code == 2
    assert all(f"{name}.pem" in result.errors for name in "abc")


def test_trust_for_a_layout_without_a_seal_is_an_error(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whoever names keys expects a seal to be looked at; where none can be, that is said."""
    Path("plain.toml").write_text(layout_text(), encoding="utf-8")
    Path("image.hex").write_bytes(b"".join(encode(unsealed())))
    assert exit_code(["check", "plain.toml", "image.hex", "--trust", "old.pem"]) == 2
    assert "the layout has no seal" in capsys.readouterr().err


def test_two_release_keys_trusted_at_once_and_the_old_one_withdrawn(bench: Bench) -> None:
    """Rotation: images of either key pass while both are trusted; then the old one's do not, nor by name.

    The image is the same file all the time: whom a layout trusts does not enter its digest.
    """
    both = 'required = true\ntrust = ["old.pem", "new.pem"]\n'
    withdrawn = 'required = true\ntrust = ["new.pem"]\n'
    by_old, by_new, by_both = sealed(OLD), sealed(NEW), sealed(OLD, NEW)
    assert [bench.check(image, seal=both).code for image in (by_old, by_new, by_both)] == [0, 0, 0]
    assert bench.check(by_new, seal=withdrawn).code == 0
    refused = bench.check(by_old, seal=withdrawn)
    assert (refused.code, refused.broken) == (1, {"seal-by-trusted-key"})
    for seal in (withdrawn, 'required = true\ntrust = ["old.pem"]\n'):
        assert bench.check(by_both, seal=seal).broken == {"seal-signers-known"}
        allowed = bench.check(by_both, seal=f"{seal}unknown_signers = 1\n")
        assert allowed.code == 0, "who knows one of both keys, and was built for a rotation"


def test_the_withdrawn_key_cannot_make_up_the_number(bench: Bench) -> None:
    """Where two must sign, an old key that was withdrawn is no second."""
    seal = 'required = true\ntrust = ["new.pem", "p256.pem"]\nsigners = 2\n'
    assert bench.check(sealed(NEW, P256), seal=seal).code == 0
    broken = {"seal-signers-known", "seal-signers-sufficient"}
    assert bench.check(sealed(NEW, OLD), seal=seal).broken == broken


def test_two_old_and_new_classical_keys_do_not_make_a_pair(bench: Bench) -> None:
    """During a rotation of a pair, two classical release keys are two signers and yet no pair."""
    seal = 'required = true\ntrust = ["old.pem", "new.pem", "ml-dsa.pem"]\nsigners = 2\npair = true\n'
    assert bench.check(sealed(OLD, NEW), seal=seal).broken == {"seal-signers-sufficient"}
    assert bench.check(sealed(NEW, ML_DSA), seal=seal).code == 0


def test_a_rollback_counter_below_at_least_is_refused(bench: Bench) -> None:
    """The image's counter is 7: a floor of 7 is met, one of 8 is not."""
    assert bench.check(sealed(OLD), "--at-least", "7").code == 0
    result = bench.check(sealed(OLD), "--at-least", "8")
    assert (result.code, result.broken) == (1, {"rollback-not-lower"})


def test_a_rollback_counter_below_that_of_the_previous_image_is_refused(bench: Bench) -> None:
    """The previous image may have been joined with another layout; its format follows its name."""
    Path("newer.hex").write_bytes(b"".join(encode(sealed(OLD, read=LATER))))
    result = bench.check(sealed(OLD), "--previous", "newer.hex")
    assert (result.code, result.broken) == (1, {"rollback-not-lower"})
    older = sealed(OLD, image=with_record(unsealed(), rollback=6))
    Path("older.bin").write_bytes(older.read(next(iter([REQUIRED.layout.memories["flash"].span])), 0xFF))
    assert bench.check(sealed(OLD), "--previous", "older.bin").code == 0


def test_a_previous_image_without_a_sound_record_is_an_error(bench: Bench) -> None:
    """Exit code 2 with the file's name: what was asked cannot be answered."""
    Path("older.hex").write_bytes(b"".join(encode(changed(SparseBytes(), {FLASH: bytes(64)}))))
    result = bench.check(sealed(OLD), "--previous", "older.hex")
    assert result.code == 2
    assert "older.hex" in result.errors
    assert "the previous image has no sound record" in result.errors
    assert bench.check(sealed(OLD), "--previous", "nowhere.hex").code == 2


@pytest.mark.parametrize(
    ("found", "what"),
    [
        ({"product": "lock-gauge"}, "product"),
        ({"vendor_id": None, "class_id": None}, "vendor id"),
        ({"class_id": None}, "class id"),
    ],
)
def test_product_vendor_and_class_ids_are_those_of_the_layout(
    bench: Bench, found: dict[str, Any], what: str
) -> None:
    """A seal that holds over the record of another product or device does not make it ours."""
    result = bench.check(sealed(OLD, image=with_record(unsealed(), **found)))
    assert (result.code, result.broken) == (1, {"record-of-this-layout"})
    told = [finding["what"] for finding in result.rules["record-of-this-layout"]["findings"]]
    assert f"the image is for another {what}" in told


def test_a_seal_that_openssl_alone_made_is_taken(bench: Bench, tmp_path: Path) -> None:
    """A key and a signature of the openssl command line, through the two-step way, pass the whole check."""
    openssl = required_tool("openssl")

    def run(*words: str) -> None:
        subprocess.run([openssl, *words], cwd=tmp_path, check=True, capture_output=True)

    run("genpkey", "-algorithm", "ed25519", "-out", "room.pem")
    run("pkey", "-in", "room.pem", "-pubout", "-out", "room-pub.pem")
    seal = 'required = true\ntrust = ["room-pub.pem"]\n'
    assert bench.check(unsealed(), seal=seal).broken == {"seal-present"}
    two_steps = ["sign", "small.toml", "image.hex", "--public", "room-pub.pem"]
    assert exit_code([*two_steps, "--to-be-signed", "bytes"]) == 0
    run("pkeyutl", "-sign", "-rawin", "-inkey", "room.pem", "-in", "bytes", "-out", "signature")
    assert exit_code([*two_steps, "--signature", "signature", "-o", "sealed.hex"]) == 0
    bench.capsys.readouterr()
    assert exit_code(["check", "small.toml", "sealed.hex"]) == 0


@pytest.mark.parametrize("place", ['offset = "11 KiB", size = "5 KiB"', 'offset = "13 KiB", size = "1 KiB"'])
def test_a_seal_where_another_layout_has_it(bench: Bench, place: str) -> None:
    """An image of another layout is refused for that; that its seal is not where this one says follows from it."""
    result = bench.check(sealed(OLD), replace={'offset = "12 KiB", size = "4 KiB"': place})
    assert (result.code, result.broken) == (1, {"record-of-this-layout"})


def test_a_seal_that_is_gone_is_not_one_of_another_layout(bench: Bench) -> None:
    """Without a seal anywhere in it, an image of another layout lacks the seal too."""
    result = bench.check(
        unsealed(), replace={'offset = "12 KiB", size = "4 KiB"': 'offset = "13 KiB", size = "1 KiB"'}
    )
    assert (result.code, result.broken) == (1, {"record-of-this-layout", "seal-present"})


@pytest.mark.parametrize(
    ("words", "seal", "reason"),
    [
        (("--trust", "new.pem"), "", "the key is known, and is not one of the trusted keys"),
        ((), 'algorithms = ["ECDSA-P256"]\n', "the algorithm is not allowed"),
    ],
)
def test_why_a_signature_that_holds_does_not_count(
    bench: Bench, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], seal: str, reason: str
) -> None:
    """The line of the signer states the one reason, not two that it may be."""
    trust = 'trust = ["old.pem", "new.pem"]\n'
    bench.check(sealed(OLD, NEW), seal=f"required = true\n{trust}{seal}")
    exit_code(["check", "small.toml", "image.hex", *words])
    text = " ".join(capsys.readouterr().out.split())
    key = OLD.public_key.fingerprint.hex()[:16]
    assert f"{key}..., verified, and does not count: {reason}" in text
