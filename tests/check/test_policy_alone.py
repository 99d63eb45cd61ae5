"""``gemel check --policy FILE IMAGE``: what record and seal prove where nobody has the layout."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from image_edits import changed
from record_edits import with_entry, with_record
from sealed_images import NEW, OLD, SEAL, STRANGER, sealed, unsealed, with_seal_of
from small_device import RECORD, SAMPLER

from gemel.cli.main import exit_code
from gemel.image.intel_hex import encode
from gemel.image.sparse import SparseBytes
from gemel.record.record import record_size
from gemel.spans import Span
from gemel.workflows.checking_alone import APPLIED, ENTRY, NEEDS_LAYOUT, REST

POLICY = 'format = 1\ntrust = ["old.pem"]\nproduct = "small-device"\nvendor = "harbour.example"\n'


class Bench:
    """A folder without a layout, in which images are checked by a policy."""

    def __init__(self, capsys: pytest.CaptureFixture[str]) -> None:
        self.capsys = capsys
        for name, key in {"old": OLD, "new": NEW}.items():
            Path(f"{name}.pem").write_bytes(key.public_key.to_pem())

    def check(self, image: SparseBytes, *words: str, policy: str = POLICY) -> tuple[int, dict[str, Any]]:
        """Exit code, and the rules of the report by name."""
        Path("own.toml").write_text(policy, encoding="utf-8")
        Path("image.hex").write_bytes(b"".join(encode(image)))
        code = exit_code(["check", "image.hex", "--policy", "own.toml", "--format", "json", *words])
        said = self.capsys.readouterr()
        self.errors = said.err
        self.report = json.loads(said.out)
        return code, {rule["name"]: rule for rule in self.report["rules"]} if code < 2 else {}


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Bench:
    """The bench, in an empty folder of its own."""
    monkeypatch.chdir(tmp_path)
    return Bench(capsys)


def broken(rules: dict[str, Any]) -> set[str]:
    """The names of the broken rules."""
    return {name for name, rule in rules.items() if rule["status"] == "broken"}


def test_a_sealed_image_passes_and_says_what_was_not_checked(bench: Bench) -> None:
    """The rules that need no layout hold; every other one is not checked, and says that it needs one."""
    code, rules = bench.check(sealed(OLD))
    assert (code, broken(rules)) == (0, set())
    held = {name for name, rule in rules.items() if rule["status"] == "holds"}
    assert held == set(APPLIED) - {"rollback-not-lower"}
    for name, rule in rules.items():
        if name not in (*APPLIED, REST, ENTRY):
            assert [each["reason"] for each in rule["not_checked"]] == [NEEDS_LAYOUT], name


def test_the_identity_claims_no_layout(bench: Bench) -> None:
    """No layout's name or digest, and nothing is said of bytes that only the layout's areas would show."""
    bench.check(sealed(OLD))
    identity = bench.report["identity"]
    assert (identity["layout"], identity["layout_digest"], identity["as_sealed"]) == (None, None, None)
    assert exit_code(["check", "image.hex", "--policy", "own.toml"]) == 0
    text = bench.capsys.readouterr().out
    assert "  layout    not given: record and seal alone are checked\n" in text
    assert ", verified\n" in text
    bench.check(CHANGED)
    assert bench.report["identity"]["as_sealed"] is False


def test_foreign_bytes_are_counted_where_nothing_verifies_them(bench: Bench) -> None:
    """The attack: bytes beside a sealed image's builds, of which a check without layout says nothing."""
    before, crc = Span(0x1000_0FFC, 4), "4 bytes outside builds, record and seal, in"
    code, rules = bench.check(sealed(OLD))
    assert (code, f"{crc} {before}" in rules[REST]["not_checked"][0]["reason"]) == (0, True)
    code, rules = bench.check(changed(sealed(OLD), {0x1000_2400: b"\xbe\xef", 0x2000_0000: b"\x01"}))
    words = f"7 bytes outside builds, record and seal, in {Span.from_bounds(before.start, 0x2000_0001)}"
    assert (code, words in rules[REST]["not_checked"][0]["reason"]) == (0, True)
    assert "7 bytes outside builds, record and seal" in " ".join(bench.errors.split())


CHANGED = changed(sealed(OLD), {SAMPLER + 0x90: b"\xbe\xef"})
REFUSED = {
    "unsealed": (lambda: unsealed(), {"seal-present"}),
    "a stranger's": (lambda: sealed(STRANGER), {"seal-by-trusted-key"}),
    "with a stranger": (lambda: sealed(OLD, STRANGER), {"seal-signers-known"}),
    "a changed build": (lambda: CHANGED, {"record-digests-match"}),
    "a changed record": (
        lambda: with_record(sealed(OLD), rollback=9),
        {"seal-over-this-record"},
    ),
    "a build outside the file": (
        lambda: sealed(OLD, image=with_entry(1, unsealed(), stored_size=0x8000_0000)),
        {"record-digests-match"},
    ),
    "another product": (
        lambda: sealed(OLD, image=with_record(unsealed(), product="other-device")),
        {"image-fits-policy"},
    ),
    "a moved seal": (
        lambda: with_seal_of(unsealed(), sealed(OLD, image=with_record(unsealed(), rollback=8))),
        {"seal-over-this-record"},
    ),
}


@pytest.mark.parametrize("case", REFUSED)
def test_what_is_not_as_it_was_sealed_is_refused(bench: Bench, case: str) -> None:
    """Each attack breaks a rule of its own."""
    image, expected = REFUSED[case]
    code, rules = bench.check(image())
    assert code == 1
    assert broken(rules) == expected


@pytest.mark.parametrize(
    ("entry", "code"), [(None, 0), (0, 0), (-1, 0), (8, 1), (SAMPLER, 1), (-0x1000_0080, 1)]
)
def test_the_start_address_is_a_reset_handler(bench: Bench, entry: int | None, code: int) -> None:
    """The attack: a HEX file that starts elsewhere passed, since the layout names the primary's first build."""
    image = sealed(OLD)
    handler = int.from_bytes(image.read(Span(0x1000_0004, 4), None), "little")
    Path("own.toml").write_text(POLICY, encoding="utf-8")
    start = None if entry is None else entry if entry == SAMPLER else handler + entry
    Path("image.hex").write_bytes(b"".join(encode(image, start)))
    assert exit_code(["check", "image.hex", "--policy", "own.toml"]) == code


def test_the_policy_is_held_to(bench: Bench) -> None:
    """Counter, signers and a key that is given besides."""
    assert bench.check(sealed(OLD), "--at-least", "8")[0] == 1
    assert bench.check(sealed(OLD), policy=f"{POLICY}rollback_at_least = 8\n")[0] == 1
    assert bench.check(sealed(OLD), policy=f"{POLICY}signers = 2\n")[0] == 1
    assert bench.check(sealed(OLD), "--trust", "new.pem")[0] == 2
    assert bench.check(sealed(OLD), "--trust", "old.pem")[0] == 0
    assert bench.check(sealed(OLD), policy="format = 1\n")[0] == 2


def test_several_records_are_refused(bench: Bench) -> None:
    """Nobody can say which of them counts."""
    image = sealed(OLD)
    other = with_record(image, product="other-device").read(Span(RECORD, record_size(2)), 0xFF)
    code, _ = bench.check(changed(image, {0x1000_2400: other}))
    assert code == 2
    assert "several sound records" in bench.errors


DAMAGED = {
    "the record's CRC": (RECORD + 0x20, b"\x55", "record-sound", "wrong CRC"),
    "the seal's signers": (SEAL + 0x26, b"\x55", "seal-well-formed", "not well formed"),
}


@pytest.mark.parametrize("case", DAMAGED)
def test_a_damaged_record_or_seal_is_found_where_it_is(bench: Bench, case: str) -> None:
    """It is not missing: what begins as one is damaged, and the place is one of the image."""
    at, byte, rule, what = DAMAGED[case]
    code, rules = bench.check(changed(sealed(OLD), {at: byte}))
    assert (code, broken(rules)) == (1, {rule})
    (finding,) = rules[rule]["findings"]
    assert what in finding["what"]
    assert f"{Span(RECORD if rule == 'record-sound' else SEAL, 1)}"[:11] in finding["where"]


def test_what_is_missing_has_no_place(bench: Bench) -> None:
    """No address is invented for a record or a seal that the image does not have, and no start is judged by one."""
    Path("own.toml").write_text(POLICY, encoding="utf-8")
    image = changed(sealed(OLD), {RECORD: b"\0", SEAL: b"\0"})
    Path("image.hex").write_bytes(b"".join(encode(image, 0x1000_0081)))
    assert exit_code(["check", "image.hex", "--policy", "own.toml", "--format", "json"]) == 1
    rules = {rule["name"]: rule for rule in json.loads(bench.capsys.readouterr().out)["rules"]}
    assert broken(rules) == {"record-sound", "seal-present"}
    for name, what in (("record-sound", "record"), ("seal-present", "seal")):
        (finding,) = rules[name]["findings"]
        assert finding["what"] == f"the image has no {what}"
        assert finding["where"].startswith("the image, ")


def test_an_image_without_anything_is_refused(bench: Bench) -> None:
    """No record, no seal: that is a finding, not a pass."""
    image = SparseBytes()
    image.write(0x1000_0000, b"\x12\x34\x56\x78" * 16)
    code, rules = bench.check(image)
    assert code == 1
    assert broken(rules) >= {"record-sound", "seal-present"}
    assert rules["image-fits-policy"]["status"] == "not checked"


@pytest.mark.parametrize("words", [("station=station.elf",), ("--version", "1.2.3"), ("--rollback", "7")])
def test_what_needs_a_layout_is_refused(bench: Bench, words: tuple[str, ...]) -> None:
    """Builds and what the image is meant to hold mean nothing without one."""
    assert bench.check(sealed(OLD), *words)[0] == 2
    assert "without a layout" in bench.errors


def test_without_a_policy_a_layout_is_due(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    """The old usage error stays."""
    Path("image.hex").write_bytes(b"".join(encode(sealed(OLD))))
    assert exit_code(["check", "image.hex"]) == 2
    assert "IMAGE" in capsys.readouterr().err
