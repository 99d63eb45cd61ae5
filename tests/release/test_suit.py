"""``gemel export suit``: read by a decoder and run by an updater that read the draft's own six examples first.

Source: draft-ietf-suit-manifest-37, its examples in testdata/suit/examples.json.
"""

from __future__ import annotations

import hashlib
import json
import re
from typing import Any

import cbor2
import pytest
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.asymmetric.utils import encode_dss_signature
from cryptography.hazmat.primitives.serialization import load_pem_public_key
from in_process import run_here as run
from releases import NO_KEYS, Keys, write_device
from seal_keys import key_for
from small_device import FLASH, SAMPLER, STATION
from tide_gauge import ROOT

import gemel
from gemel.errors import UsageProblem
from gemel.workflows.exporting_suit import suit_envelope

EXAMPLES = json.loads((ROOT / "testdata/suit/examples.json").read_text())
WORKING_GROUP = load_pem_public_key(EXAMPLES["public_key_pem"].encode())
WITH_ARGUMENT = range(1, 33)
"""Conditions and directives; each is followed by one argument."""


def verified(key: Any, algorithm: int, signature: bytes, text: bytes) -> bool:
    """Whether a COSE signature holds, by cryptography (RFC 9053 2.1, 2.2)."""
    try:
        if algorithm == -8:
            key.verify(signature, text)
        else:
            half = len(signature) // 2
            r, s = int.from_bytes(signature[:half], "big"), int.from_bytes(signature[half:], "big")
            digest = hashes.SHA256() if algorithm == -7 else hashes.SHA384()
            key.verify(encode_dss_signature(r, s), text, ec.ECDSA(digest))
    except (InvalidSignature, TypeError):
        return False
    return True


class Decoded:
    """An envelope, taken apart; a digest that is not the manifest's is an AssertionError."""

    def __init__(self, data: bytes) -> None:
        envelope = cbor2.loads(data)
        assert envelope.tag == 107
        self.envelope = envelope.value
        digest, *self.blocks = cbor2.loads(self.envelope[2])
        self.digest = digest
        algorithm, value = cbor2.loads(digest)
        assert (algorithm, value) == (-16, hashlib.sha256(cbor2.dumps(self.envelope[3])).digest())
        self.manifest = cbor2.loads(self.envelope[3])
        assert self.manifest[1] == 1
        self.sequence = self.manifest[2]
        common = cbor2.loads(self.manifest[3])
        self.components = [tuple(each) for each in common[2]]
        self.shared = commands(common[4])

    def section(self, key: int) -> list[tuple[int, Any]]:
        """One of the manifest's command sequences."""
        return commands(self.manifest[key]) if key in self.manifest else []

    def signers(self, keys: list[Any]) -> int:
        """How many of the COSE_Sign1 blocks hold by one of ``keys``."""
        count = 0
        for block in self.blocks:
            sign = cbor2.loads(block)
            assert sign.tag == 18
            header, _, payload, signature = sign.value
            assert payload is None
            text = cbor2.dumps(["Signature1", header, b"", self.digest])
            algorithm = cbor2.loads(header)[1]
            count += any(verified(key, algorithm, signature, text) for key in keys)
        return count


def commands(data: bytes) -> list[tuple[int, Any]]:
    """A command sequence as pairs of command and argument."""
    words = cbor2.loads(data)
    assert len(words) % 2 == 0
    pairs = list(zip(words[::2], words[1::2], strict=True))
    assert all(word in WITH_ARGUMENT for word, _ in pairs)
    return pairs


class Updater:
    """A device that carries out a manifest: flash by component, and what it invoked."""

    def __init__(self, vendor: bytes, kind: bytes) -> None:
        self.identity = {1: vendor, 2: kind}
        self.stored: dict[int, bytes] = {}
        self.parameters: dict[int, dict[int, Any]] = {}
        self.order: list[int] = []
        self.invoked: list[int] = []
        self.index = 0

    def install(self, decoded: Decoded) -> None:
        """Fetch, validate, invoke."""
        for key in (20, 7, 9):
            self.run(decoded, decoded.shared)
            self.run(decoded, decoded.section(key))

    def run(self, decoded: Decoded, sequence: list[tuple[int, Any]]) -> None:
        """Run one sequence, the component index at its start being 0."""
        self.index = 0
        for command, argument in sequence:
            values = self.parameters.setdefault(self.index, {})
            if command == 12:
                self.index = argument
            elif command == 20:
                values.update(argument)
            elif command in (1, 2):
                assert values[command] == self.identity[command]
            elif command == 21:
                self.stored[self.index] = decoded.envelope[values[21]]
                self.order.append(self.index)
            elif command == 3:
                algorithm, digest = cbor2.loads(values[3])
                data = self.stored[self.index]
                assert (algorithm, digest, values[14]) == (-16, hashlib.sha256(data).digest(), len(data))
            else:
                assert command == 23
                self.invoked.append(self.index)


@pytest.mark.parametrize("name", EXAMPLES["examples"])
def test_the_drafts_examples_are_decoded_and_verified(name):
    """The decoder of these tests reads all six, with and without signature; a changed byte does not verify."""
    example = EXAMPLES["examples"][name]
    decoded = Decoded(bytes.fromhex(example["envelope"]))
    assert decoded.sequence == int(name[-1])
    assert decoded.signers([WORKING_GROUP]) == 1
    assert decoded.section(7)
    plain = Decoded(bytes.fromhex(example["envelope_without_signature"]))
    assert (plain.manifest, plain.blocks) == (decoded.manifest, [])
    decoded.digest = decoded.digest[:-1] + bytes((decoded.digest[-1] ^ 1,))
    assert decoded.signers([WORKING_GROUP]) == 0


@pytest.fixture
def made(tmp_path):
    """The small device's image, its layout and its record, and the envelope by two keys."""
    device = write_device(tmp_path, "")
    read = gemel.load_layout(device / "small.toml")
    joined = gemel.join(
        read, gemel.load_builds(read, {name: device / f"{name}.elf" for name in read.layout.builds})
    )
    keys = Keys(key_for("Ed25519"), key_for("ECDSA-P256"))
    result, envelope = suit_envelope(read, joined.image, keys)
    assert result.passes
    return read, joined, envelope


def test_the_envelope_installs_the_image(made):
    """An updater that checks vendor, class, sizes and digests ends with the image's bytes, and starts the primary."""
    _, joined, envelope = made
    decoded = Decoded(envelope)
    updater = Updater(joined.record.vendor_id.bytes, joined.record.class_id.bytes)
    updater.install(decoded)
    flash = {}
    for index, (memory, start) in enumerate(decoded.components):
        assert memory == b"flash"
        address = int.from_bytes(start, "big")
        flash |= {address + offset: byte for offset, byte in enumerate(updater.stored[index])}
    image = {start + at: byte for start, piece in joined.image.data.pieces() for at, byte in enumerate(piece)}
    assert {address: flash[address] for address in image} == image
    assert all(flash[address] == 0xFF for address in set(flash) - set(image))
    assert updater.invoked == [0]


def test_components_are_the_builds_and_the_rest(made):
    """One component a build, with the record's digest; the secondary is written before the primary, the record last."""
    _, joined, envelope = made
    decoded = Decoded(envelope)
    starts = [int.from_bytes(start, "big") for _, start in decoded.components]
    assert starts[:2] == [STATION, SAMPLER]
    digests = [cbor2.loads(values[3])[1] for command, values in decoded.shared if command == 20]
    recorded = {entry.stored_start: entry.sha256 for entry in joined.record.builds}
    assert [recorded[start] for start in starts[:2]] == digests[:2]
    updater = Updater(joined.record.vendor_id.bytes, joined.record.class_id.bytes)
    updater.install(decoded)
    assert updater.order[:2] == [1, 0]
    assert starts[updater.order[-1]] == FLASH + 0x2800
    text = cbor2.loads(decoded.manifest[23])["en"]
    assert text[1] == "small-device 1.2.3"
    assert text[decoded.components[0]][5].startswith("build station for core station; needs build sampler")
    assert text[decoded.components[1]][5] == "build sampler for core sampler"


def test_the_page_names_a_section_for_each_element():
    """Each member of the picture that has a number has the title of its section in brackets."""
    from gemel.release.page import page

    suit = page().partition("The SUIT envelope")[2]

    members = re.findall(r"^ +(\d+)  +[a-zS].*$", suit, re.MULTILINE)
    titled = re.findall(r"^ +(\d+)  +[a-zS].*\[[A-Za-z_ -]+\]", suit, re.MULTILINE)
    assert members == titled == ["107", "2", "3", "1", "2", "3", "2", "4", "7", "9", "20", "23"]


def test_every_key_signs_and_the_bytes_are_the_same(made):
    """Both signatures hold; two runs give the same bytes; the sequence number is the rollback counter."""
    read, joined, envelope = made
    decoded = Decoded(envelope)
    keys = [load_pem_public_key(key_for(name).public_key.to_pem()) for name in ("Ed25519", "ECDSA-P256")]
    assert decoded.signers(keys) == len(decoded.blocks) == 2
    assert decoded.signers(keys[:1]) == 1
    assert decoded.sequence == 7
    turned = Keys(key_for("ECDSA-P256"), key_for("Ed25519"))
    assert suit_envelope(read, joined.image, turned)[1] == envelope
    key_ids = {cbor2.loads(cbor2.loads(block).value[0])[4] for block in decoded.blocks}
    assert key_ids == {key_for(name).public_key.fingerprint for name in ("Ed25519", "ECDSA-P256")}


@pytest.mark.parametrize("name", ["ECDSA-P384", "RSA-3072-PSS", "ML-DSA-65"])
def test_other_algorithms_sign_too(name, made):
    """One COSE_Sign1 with the algorithm's identifier, by the same bytes to be signed."""
    read, joined, _ = made
    key = key_for(name)
    decoded = Decoded(suit_envelope(read, joined.image, Keys(key))[1])
    header, _, _, signature = cbor2.loads(decoded.blocks[0]).value
    assert cbor2.loads(header)[1] == key.algorithm.cose_id
    assert key.public_key.verify(signature, cbor2.dumps(["Signature1", header, b"", decoded.digest]))


def test_a_sealed_image_has_its_seal_as_the_last_component(tmp_path):
    """The seal is written after the record."""
    device = write_device(tmp_path)
    read = gemel.load_layout(device / "small.toml")
    builds = gemel.load_builds(read, {name: device / f"{name}.elf" for name in read.layout.builds})
    sealed = gemel.seal(read, gemel.join(read, builds).image, [key_for("Ed25519")])
    decoded = Decoded(suit_envelope(read, sealed, Keys(key_for("Ed25519")))[1])
    assert int.from_bytes(decoded.components[-1][1], "big") == FLASH + 0x2C00


@pytest.mark.parametrize("lost", ["vendor", "class", "record"])
def test_without_record_vendor_or_class_it_is_refused(lost, tmp_path):
    """A manifest needs all three: said with what is missing."""
    lines = {
        "vendor": {'vendor = "harbour.example"\nclass = "small device"\n': ""},
        "class": {'class = "small device"\n': ""},
        "record": {'[record]\narea = "record"\nvendor = "harbour.example"\nclass = "small device"\n': ""},
    }
    device = write_device(tmp_path, "", lines[lost])
    read = gemel.load_layout(device / "small.toml")
    builds = gemel.load_builds(read, {name: device / f"{name}.elf" for name in read.layout.builds})
    with pytest.raises(UsageProblem, match=lost):
        suit_envelope(read, gemel.join(read, builds, version="1.0.0").image, Keys(key_for("Ed25519")))


def test_nothing_is_signed_without_a_key_or_where_a_rule_is_broken(made):
    """No key: refused; a broken image: the check's result, and no envelope."""
    read, joined, _ = made
    with pytest.raises(UsageProblem, match="--key"):
        suit_envelope(read, joined.image, NO_KEYS)
    joined.image.data.write(STATION + 0x80, b"\0\0\0\0")
    result, envelope = suit_envelope(read, joined.image, Keys(key_for("Ed25519")))
    assert (result.passes, envelope) == (False, b"")


def test_the_command(tmp_path):
    """A file from a key's file; without -o, with --core, or images for other exports: one error."""
    device = write_device(tmp_path, "")
    builds = ("station=station.elf", "sampler=sampler.elf")
    assert run("join", "small.toml", *builds, "-o", "a.hex", cwd=device).returncode == 0
    key = device / "key.pem"
    key.write_bytes(key_for("Ed25519").to_pem())
    key.chmod(0o600)
    done = run("export", "suit", "small.toml", "a.hex", "--key", "key.pem", "-o", "a.suit", cwd=device)
    assert done.returncode == 0, done.stderr
    assert Decoded((device / "a.suit").read_bytes()).sequence == 7
    for words in (
        ("suit", "small.toml", "a.hex", "--key", "key.pem"),
        ("suit", "small.toml", "a.hex", "--key", "key.pem", "--core", "station", "-o", "b"),
        ("suit", "small.toml", "a.hex", "-o", "b"),
        ("linker", "small.toml", "a.hex"),
        ("linker", "small.toml", "--key", "key.pem"),
    ):
        done = run("export", *words, cwd=device)
        assert (done.returncode, done.stderr.count("error: ")) == (2, 1), (words, done.stderr)
