"""``gemel show`` and seals: what nobody verified never stands as if it were true."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from image_edits import changed
from record_edits import with_record
from schemas import exported_schema
from sealed_images import NEW, OLD, REQUIRED, ROOM, STRANGER, sealed, unsealed
from small_device import RECORD, SAMPLER, layout_text

from gemel.cli.main import exit_code
from gemel.image.intel_hex import encode
from gemel.image.sparse import SparseBytes
from gemel.record.record import record_size
from gemel.seals.reading import find_seals
from gemel.spans import Span

LAYOUT = ("small.toml",)
KEY = OLD.public_key.fingerprint.hex()[:16]


class Bench:
    """A folder with a layout and public keys, in which images are shown."""

    def __init__(self, capsys: pytest.CaptureFixture[str]) -> None:
        self.capsys = capsys
        text = layout_text(ROOM, '\n[seal]\narea = "seal"\nrequired = true\n')
        Path("small.toml").write_text(text, encoding="utf-8")
        for name, key in {"old": OLD, "new": NEW, "stranger": STRANGER}.items():
            Path(f"{name}.pem").write_bytes(key.public_key.to_pem())

    def show(self, image: SparseBytes, *words: str) -> tuple[int, str]:
        """Exit code and text."""
        Path("image.hex").write_bytes(b"".join(encode(image)))
        return exit_code(
            [
                "show",
                *words[: len(words) and words[0] in LAYOUT],
                "image.hex",
                *words[len(words) and words[0] in LAYOUT :],
            ]
        ), self.capsys.readouterr().out

    def data(self, image: SparseBytes, *words: str) -> Any:
        """The same as JSON, which keeps to its schema."""
        _, text = self.show(image, *words, "--format", "json")
        data = json.loads(text)
        jsonschema.validate(data, exported_schema("show-schema"))
        return data


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Bench:
    """The bench, in an empty folder of its own."""
    monkeypatch.chdir(tmp_path)
    return Bench(capsys)


@pytest.mark.parametrize("layout", [(), LAYOUT])
def test_without_a_key_everything_is_not_verified(bench: Bench, layout: tuple[str, ...]) -> None:
    """The attack: an image with a record of somebody's choice was shown under its product and version."""
    for image in (unsealed(), sealed(OLD), sealed(STRANGER)):
        code, text = bench.show(image, *layout)
        assert code == 0
        assert text.splitlines()[0] == "image.hex: small-device 1.2.3, rollback counter 7; not verified"
    assert "no public key given: not verified" in text
    assert f"key id {STRANGER.public_key.fingerprint.hex()}" in text


@pytest.mark.parametrize("layout", [(), LAYOUT])
def test_with_its_key_a_seal_holds(bench: Bench, layout: tuple[str, ...]) -> None:
    """The headline names the key that signed, and the seal's section the record that it is over."""
    code, text = bench.show(sealed(OLD), *layout, "--trust", "old.pem")
    assert code == 0
    assert f"signed by Ed25519 key {KEY}" in " ".join(text.split())
    assert f"holds for key {KEY}, over the record at 0x1000_2800" in " ".join(text.split())


REFUSED = {
    "unsealed": lambda: unsealed(),
    "a stranger's seal": lambda: sealed(STRANGER),
    "a changed record": lambda: with_record(sealed(OLD), product="other-device"),
    "a changed build": lambda: changed(sealed(OLD), {SAMPLER + 0x90: b"\xbe\xef"}),
    "no seal but its head": lambda: changed(
        unsealed(), {0x1000_3000: sealed(OLD).read(Span(0x1000_3000, 40), 0xFF)}
    ),
}


@pytest.mark.parametrize("layout", [(), LAYOUT])
@pytest.mark.parametrize("case", REFUSED)
def test_trust_ends_with_1_unless_the_seal_holds(bench: Bench, case: str, layout: tuple[str, ...]) -> None:
    """With --trust a seal by that key is required, here as anywhere."""
    code, text = bench.show(REFUSED[case](), *layout, "--trust", "old.pem")
    assert code == 1
    assert "signed by" not in text


def test_bytes_after_the_seal_are_no_sound_seal(bench: Bench) -> None:
    """The attack: foreign bytes in the seal's area; check refused them, and show said who signed the image."""
    area = REQUIRED.layout.span_of("seal")
    code, text = bench.show(changed(sealed(OLD), {area.last: b"\x70"}), *LAYOUT, "--trust", "old.pem")
    assert code == 1
    assert "signed by" not in text
    assert "NOT WELL FORMED" in text


def test_a_known_keys_signature_that_does_not_hold_spoils_the_seal(bench: Bench) -> None:
    """Beside one that holds too: readers refuse such a seal, so nobody is said to have signed."""
    image = sealed(OLD, NEW)
    last = 0x1000_3000 + find_seals(image)[0].span.size - 1
    (byte,) = image.read(Span(last, 1), 0xFF)
    damaged = changed(image, {last: bytes((byte ^ 1,))})
    for layout in ((), LAYOUT):
        code, text = bench.show(damaged, *layout, "--trust", "old.pem", "--trust", "new.pem")
        assert (code, text.count("holds for key"), text.count("DOES NOT HOLD")) == (1, 1, 1)
        assert "signed by" not in text


def test_a_stranger_beside_a_known_key_stands_out(bench: Bench) -> None:
    """Each signer has its own word."""
    data = bench.data(sealed(OLD, STRANGER), *LAYOUT, "--trust", "old.pem")
    (seal,) = data["seals"]
    verdicts = {each["key_id"]: each["verdict"] for each in seal["signers"]}
    assert verdicts == {
        OLD.public_key.fingerprint.hex(): "holds",
        STRANGER.public_key.fingerprint.hex(): "key unknown",
    }


def test_a_stranger_counts_as_in_a_check(bench: Bench) -> None:
    """The attack: foreign bytes as an unknown signer beside a trusted one; show --trust ended with 0."""

    def shown(*layout: str) -> int:
        code, text = bench.show(sealed(OLD, STRANGER), *layout, "--trust", "old.pem")
        assert "KEY UNKNOWN" in text
        return code

    assert (shown(), shown(*LAYOUT)) == (1, 1)
    file = Path(*LAYOUT)
    text = file.read_text(encoding="utf-8")
    file.write_text(text.replace("[seal]\n", "[seal]\nunknown_signers = 1\n"), encoding="utf-8")
    assert (shown(), shown(*LAYOUT)) == (1, 0)


def test_of_several_records_none_is_the_headline(bench: Bench) -> None:
    """The attack: a second record at a lower address was taken for the image's own."""
    image = sealed(OLD)
    fake = with_record(image, product="other-device").read(Span(RECORD, record_size(2)), 0xFF)
    attacked = changed(image, {0x1000_2400: fake})
    for layout in ((), LAYOUT):
        _, text = bench.show(attacked, *layout, "--trust", "old.pem")
        assert text.splitlines()[0] == "image.hex: 2 records, each listed below"
        foreign, own = (
            " ".join(part.split())
            for part in text.partition("\nrecord 0x1000_2400")[2].split("\nrecord ")[:2]
        )
        assert "product other-device" in foreign
        assert "product small-device" in own
        words = [part.partition(" product ")[0].partition("sound; ")[2] for part in (foreign, own)]
        assert words == [
            "the image DIFFERS from its record NOT WHERE THE LAYOUT SAYS" if layout else "not verified",
            f"signed by Ed25519 key {KEY}",
        ]


def test_a_seal_elsewhere_is_said_to_be_elsewhere(bench: Bench) -> None:
    """With a layout a seal counts only where the layout has its area."""
    image = sealed(OLD)
    moved = image.read(Span(0x1000_3000, 200), 0xFF)
    data = bench.data(changed(unsealed(), {0x1000_2400: moved}), *LAYOUT, "--trust", "old.pem")
    assert [(each["missing"], each["in_its_area"]) for each in data["seals"]] == [
        (True, True),
        (False, False),
    ]
    code, _ = bench.show(changed(unsealed(), {0x1000_2400: moved}), *LAYOUT, "--trust", "old.pem")
    assert code == 1


def test_the_layouts_own_keys_are_used(bench: Bench) -> None:
    """Without --trust the layout's trust verifies, which says so by the key."""
    text = layout_text(ROOM, '\n[seal]\narea = "seal"\nrequired = true\ntrust = ["old.pem"]\n')
    Path("small.toml").write_text(text, encoding="utf-8")
    _, shown = bench.show(sealed(OLD), *LAYOUT)
    assert f"signed by Ed25519 key {KEY}" in " ".join(shown.split())
    Path("old.pem").unlink()
    code, shown = bench.show(sealed(OLD), *LAYOUT)
    assert (code, "not verified" in shown) == (0, True)


@pytest.mark.parametrize(
    ("file", "data", "why"),
    [
        ("gone.pem", None, "No such file"),
        ("junk.pem", b"junk\n", "not a key, or damaged"),
        ("small.toml", None, "not a key"),
        ("../old.pem", None, "leads out of the layout's folder"),
    ],
    ids=["missing", "junk", "another file", "outside"],
)
@pytest.mark.parametrize("command", ["show", "compare"])
def test_a_key_that_cannot_be_used_is_named_with_the_reason(
    bench: Bench, capsys: pytest.CaptureFixture[str], command: str, file: str, data: bytes | None, why: str
) -> None:
    """Nothing is verified by a layout whose key cannot be read: stderr says which, and why; without a seal nothing."""
    text = layout_text(ROOM, f'\n[seal]\narea = "seal"\nrequired = true\ntrust = ["{file}"]\n')
    Path("small.toml").write_text(text, encoding="utf-8")
    if data:
        Path(file).write_bytes(data)
    for image, is_sealed in ((sealed(OLD), True), (unsealed(), False)):
        Path("image.hex").write_bytes(b"".join(encode(image)))
        exit_code([command, "small.toml", *["image.hex"] * (2 if command == "compare" else 1)])
        said = " ".join(capsys.readouterr().err.split())
        expected = ["seals are not verified: a key that the layout trusts cannot be used", file, why]
        assert [each in said for each in expected] == [is_sealed or command == "compare"] * 3


def test_many_heads_of_seals_cost_little(bench: Bench) -> None:
    """A file full of the bytes that a seal begins with is looked at in a few places only."""
    head = sealed(OLD).read(Span(0x1000_3000, 38), 0xFF)
    image = SparseBytes()
    image.write(0, head * 20_000)
    data = bench.data(image)
    assert len(data["seals"]) == 16


def test_the_seal_is_that_of_the_layouts_device() -> None:
    """The fixtures are what they say."""
    assert REQUIRED.layout.seal


def test_a_signature_over_another_image_is_not_verified_for_this_one(bench: Bench) -> None:
    """With a layout and without one the line of the signer says that the bytes are others than those sealed."""
    for words in ((), LAYOUT):
        code, text = bench.show(
            changed(sealed(OLD), {SAMPLER + 0x90: b"\xbe\xef"}), *words, "--trust", "old.pem"
        )
        assert (code, "verified, but NOT OVER THESE BYTES" in " ".join(text.split())) == (1, True)
        code, text = bench.show(sealed(OLD), *words, "--trust", "old.pem")
        assert (code, "NOT OVER" in text, ", verified\n" in text) == (0, False, True)
