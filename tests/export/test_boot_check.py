"""The worked example of boot code, ``testdata/boot-check``: it and gemel agree on real images, good and bad.

The tide gauge's real builds are joined and sealed by gemel; the example verifies with libsodium and mbed TLS,
libraries that have nothing of gemel's in them, and finds the bytes that are signed by the exported header.
"""

from __future__ import annotations

import dataclasses
import os
import random
import re
import subprocess
import sys
import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from c_hosts import SANITIZERS, WARNINGS, compile_
from gauge_builds import ROOT, gauge_builds
from image_edits import filled
from seal_keys import key_for, other_key
from small_device import TODAY
from tools import required_tool

from gemel.checking.runner import check
from gemel.export.c_reader import FILE_NAME, c_reader
from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join
from gemel.layout.reader import ReadLayout, read_layout
from gemel.record import record
from gemel.seals.demands import seal_faults
from gemel.seals.keys.keys import PrivateKey
from gemel.seals.seal import make_seal
from gemel.seals.sealing import put_seal, record_bytes, signatures_by
from gemel.spans import Span
from gemel.structs import replace

EXAMPLE = ROOT / "testdata" / "boot-check"
NAMES = ("host", "boot_check", "verify_sodium", "verify_mbedtls", "verify_process")
SOURCES = [str(EXAMPLE / f"{name}.c") for name in NAMES]
REFERENCE = f"{sys.executable} {EXAMPLE / 'ml_dsa_reference.py'}"
LIBRARIES = {"sodium.h": "libsodium-dev", "mbedtls/ecdsa.h": "libmbedtls-dev"}
KEYS = {
    "ed25519": key_for("Ed25519"),
    "p256": key_for("ECDSA-P256"),
    "ml-dsa": key_for("ML-DSA-65"),
    "other": other_key(5),
}
VENDOR = uuid.uuid5(uuid.NAMESPACE_DNS, "harbour.example")
CLASS = uuid.uuid5(VENDOR, "tide gauge mark 2")
FLASH = Span(0x1000_0000, 0x8_0000)
RECORD, SEAL = Span(0x1001_0000, 0x1000), Span(0x1001_1000, 0x4000)


def require_libraries() -> None:
    """Skip the test where a library's headers are missing, or fail it where GEMEL_REQUIRE_TOOLS=1 is set."""
    compiler = required_tool("gcc")
    for header, package in LIBRARIES.items():
        words = [compiler, "-E", "-x", "c", "-", "-o", os.devnull]
        done = subprocess.run(
            words, input=f"#include <{header}>\n", text=True, capture_output=True, check=False
        )
        if done.returncode:
            reason = f"{header} is not installed (Debian: {package})"
            if os.environ.get("GEMEL_REQUIRE_TOOLS") == "1":
                pytest.fail(f"{reason}, and GEMEL_REQUIRE_TOOLS=1 asks for it")
            pytest.skip(reason)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the exported header, the example built with sanitizers, and the keys' public parts."""
    require_libraries()
    folder = tmp_path_factory.mktemp("boot-check")
    (folder / FILE_NAME).write_text(c_reader(), encoding="utf-8", newline="\n")
    libraries = ["-lsodium", "-lmbedcrypto"]
    compile_(
        folder,
        "gcc",
        "-std=c99",
        *WARNINGS,
        *SANITIZERS,
        "-I.",
        f"-I{EXAMPLE}",
        *SOURCES,
        *libraries,
        "-o",
        "boot-check",
    )
    for name, key in KEYS.items():
        (folder / f"{name}.der").write_bytes(key.public_key.to_der())
    return folder


def layout_of(arrangement: str, keys: str = "required = true\n", old: str = "", new: str = "") -> ReadLayout:
    """A layout of the tide gauge, with a seal that is required."""
    text = (ROOT / f"layouts/tide-gauge-{arrangement}.toml").read_text("utf-8").replace(old, new, 1)
    assert text.count("\n[seal]\n") == 1
    text = text.replace("\n[seal]\n", f"\n[seal]\n{keys}")
    return read_layout(text.encode(), "tide-gauge.toml", [seal_faults])


def put(read: ReadLayout, image: SparseBytes, *signers: PrivateKey) -> None:
    """Seal an image by ``signers`` without a look at the layout's policy."""
    data = record_bytes(read.layout, image)
    put_seal(read.layout, image, make_seal(data, signatures_by(data, signers)))


@dataclass(frozen=True)
class Device:
    """A device with a flash: what it trusts, how many must have signed, the lowest counter it accepts."""

    folder: Path
    keys: tuple[str, ...] = ("ed25519", "p256")
    signers: int = 1
    at_least: int = 0
    more: tuple[str, ...] = ()
    product: str = "tide-gauge"
    vendor: uuid.UUID = VENDOR
    product_class: uuid.UUID = CLASS

    def boots(self, image: SparseBytes) -> tuple[int, str]:
        """Exit code of the example and its last line."""
        (self.folder / "flash.bin").write_bytes(image.read(FLASH, 0xFF))
        return self.boots_with("--flash", f"{FLASH.start:x}", "flash.bin")

    def boots_with(self, *flash: str, record: Span = RECORD, seal: Span = SEAL) -> tuple[int, str]:
        """The same with these words for the flash."""
        words = [*flash, "--record", f"{record.start:x}", "--seal", f"{seal.start:x}", f"{seal.size:x}"]
        words += ["--product", self.product, "--vendor", str(self.vendor), "--class", str(self.product_class)]
        words += ["--at-least", f"{self.at_least:x}", "--signers", str(self.signers), *self.more]
        for key in self.keys:
            words += ["--key", f"{key}.der"]
        done = subprocess.run(
            [self.folder / "boot-check", *words],
            cwd=self.folder,
            env={**os.environ, "BOOT_CHECK_ML_DSA": REFERENCE},
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.stderr == ""
        return done.returncode, done.stdout.splitlines()[-1]

    def gemel_passes(self, image: SparseBytes, read: ReadLayout) -> bool:
        """What ``gemel check`` says of the image alone by one who trusts the same keys; causes are not searched for."""
        trusted = tuple(dict.fromkeys(KEYS[name].public_key for name in self.keys))
        inspection = Inspection(read, image, trusted=trusted, at_least=self.at_least, explains=False)
        return check(inspection, TODAY).passes


@pytest.fixture(scope="module")
def plain() -> tuple[ReadLayout, SparseBytes]:
    """The tide gauge that runs in place, joined, with its layout; not sealed."""
    read = layout_of("in-place")
    return read, join(read, gauge_builds("in-place")).image


def sealed(plain: tuple[ReadLayout, SparseBytes], *names: str) -> SparseBytes:
    """The joined image, sealed by these keys."""
    image = plain[1].copy()
    put(plain[0], image, *(KEYS[name] for name in names))
    return image


@pytest.mark.parametrize("arrangement", ["in-place", "copied"])
@pytest.mark.parametrize("name", ["ed25519", "p256"])
def test_real_images_are_started(folder: Path, arrangement: str, name: str) -> None:
    """Ed25519 by libsodium and P-256 by mbed TLS verify gemel's seals over joined real builds."""
    read = layout_of(arrangement)
    image = join(read, gauge_builds(arrangement)).image
    put(read, image, KEYS[name])
    assert Device(folder).boots(image) == (0, "started: tide-gauge 1.4.2")
    assert Device(folder).gemel_passes(image, read)


def test_two_signers_where_two_are_due(folder: Path, plain: tuple[ReadLayout, SparseBytes]) -> None:
    """Both must have signed; one of them alone, or one key named twice, is not enough."""
    two = Device(folder, signers=2)
    assert two.boots(sealed(plain, "ed25519", "p256"))[0] == 0
    for names in (("ed25519",), ("p256",), ("ed25519", "other")):
        assert two.boots(sealed(plain, *names)) == (1, "refused: too few trusted keys signed")
    twice = dataclasses.replace(two, keys=("ed25519", "ed25519"))
    assert twice.boots(sealed(plain, "ed25519"))[0] == 1


def test_rotation(folder: Path, plain: tuple[ReadLayout, SparseBytes]) -> None:
    """A device that trusts two keys takes either's image; one that lost the old key, only the new's."""
    both, withdrawn = Device(folder), Device(folder, keys=("p256",))
    old, new = sealed(plain, "ed25519"), sealed(plain, "p256")
    assert [both.boots(image)[0] for image in (old, new)] == [0, 0]
    assert [withdrawn.boots(image)[0] for image in (old, new)] == [1, 0]
    of_both = sealed(plain, "ed25519", "p256")
    unknown = (1, "refused: the seal has signers whose keys are unknown")
    assert withdrawn.boots(of_both) == unknown, "bytes that it cannot verify"
    assert dataclasses.replace(withdrawn, more=("--unknown-signers", "1")).boots(of_both)[0] == 0
    read = layout_of("in-place", "required = true\nunknown_signers = 1\n")
    assert not withdrawn.gemel_passes(of_both, plain[0])
    assert withdrawn.gemel_passes(of_both, read)


def _without_seal(image: SparseBytes) -> SparseBytes:
    return _with(image, SEAL.start, b"\xff" * SEAL.size)


def _with(image: SparseBytes, address: int, data: bytes) -> SparseBytes:
    result = image.copy()
    result.write(address, data)
    return result


def _flipped(image: SparseBytes, address: int) -> SparseBytes:
    (byte,) = image.read(Span(address, 1), 0xFF)
    return _with(image, address, bytes((byte ^ 0x40,)))


def _moved(plain: tuple[ReadLayout, SparseBytes]) -> SparseBytes:
    """The image with the seal of the next version."""
    later = layout_of("in-place", old='version = "1.4.2"', new='version = "1.4.3"')
    image = join(later, gauge_builds("in-place")).image
    put(later, image, KEYS["ed25519"])
    return _with(plain[1], SEAL.start, image.read(SEAL, 0xFF))


def _forged(image: SparseBytes) -> SparseBytes:
    """One instruction of the sampler changed, and every digest and CRC of the record made right again."""
    import hashlib
    import zlib

    result = _flipped(image, 0x1000_8400)
    old = record.decode(result.read(RECORD, 0xFF), "record")
    entries = []
    for entry in old.builds:
        data = result.read(entry.stored, 0xFF)
        digest = hashlib.sha256(data).digest()
        entries.append(replace(entry, crc32=zlib.crc32(data), sha256=digest))
    return _with(result, RECORD.start, record.encode(replace(old, builds=tuple(entries))))


def bad_images(plain: tuple[ReadLayout, SparseBytes]) -> Iterator[tuple[str, SparseBytes, str]]:
    """Images that must not be started: each with a name and what the example says."""
    good, few = sealed(plain, "ed25519"), "too few trusted keys signed"
    wrong = "a trusted key's signature does not hold"
    yield "never sealed", plain[1], "no seal: every byte of the area is erased"
    yield "seal cut away", _without_seal(good), "no seal: every byte of the area is erased"
    yield (
        "seal zeroed",
        _with(good, SEAL.start, bytes(200)),
        "the bytes are not in the one form that a seal has",
    )
    yield "bytes after", _flipped(good, SEAL.last), "the area holds other bytes after the seal"
    yield "another's seal", sealed(plain, "other"), few
    yield "seal of another image", _moved(plain), wrong
    yield "signature damaged", _flipped(good, SEAL.start + 120), wrong
    yield "P-256 signature damaged", _flipped(sealed(plain, "p256"), SEAL.start + 120), wrong
    yield "record damaged", _flipped(good, RECORD.start + 100), "the record's CRC does not match its bytes"
    yield "record and builds made to fit", _forged(good), wrong
    yield "station changed", _flipped(good, 0x1000_0200), "a build was changed"
    yield "sampler changed", _flipped(good, 0x1000_8400), "a build was changed"
    yield "checksum changed", _flipped(good, 0x1000_7FFE), "flash outside the builds was changed"
    yield "something added", _with(good, 0x1007_FF00, b"\x70\x47"), "flash outside the builds was changed"


def test_bad_images_are_refused_and_said_why(folder: Path, plain: tuple[ReadLayout, SparseBytes]) -> None:
    """Each bad image is refused by the example for its own reason, and by gemel's check as well."""
    device = Device(folder)
    for name, image, why in bad_images(plain):
        assert device.boots(image) == (1, f"refused: {why}"), name
        assert not device.gemel_passes(image, plain[0]), name


FOREIGN = {
    "another product": {"product": "wave-gauge"},
    "another vendor": {"vendor": uuid.uuid5(uuid.NAMESPACE_DNS, "quay.example")},
    "another class": {"product_class": uuid.uuid5(VENDOR, "tide gauge mark 1")},
    "another layout": {"more": ("--layout", "00" * 32)},
}


@pytest.mark.parametrize("case", FOREIGN)
def test_an_image_for_another_device_is_refused(
    folder: Path, plain: tuple[ReadLayout, SparseBytes], case: str
) -> None:
    """The attack: a well signed image of a sister product was started, since nothing compared what it is for."""
    image = sealed(plain, "ed25519")
    assert Device(folder, more=("--layout", plain[0].digest.hex())).boots(image)[0] == 0
    code, said = dataclasses.replace(Device(folder), **FOREIGN[case]).boots(image)  # type: ignore[arg-type]
    assert code == 1
    assert said.startswith(("refused: for another", "refused: of another", "refused: joined for another"))


@pytest.mark.parametrize("text", ["00" * 31 + "0", " 0" * 32, "+0" * 32, "00" * 33, "0g" * 32, ""])
def test_an_id_that_is_not_whole_is_refused(folder: Path, text: str) -> None:
    """An odd digit was read past the end of its text, and signs and blanks counted as digits."""
    words = [folder / "boot-check", "--layout", text]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr.startswith("boot-check: an id is too ")) == (2, True)


def test_foreign_bytes_as_an_unknown_signer_are_refused(
    folder: Path, plain: tuple[ReadLayout, SparseBytes]
) -> None:
    """The attack: kilobytes at known addresses, as signatures of keys that nobody has; both took it."""
    from check.rules.test_seal_signers_known import with_signers

    image = sealed(plain, "ed25519")
    with_signers(plain[0], image, 4)
    unknown = "refused: the seal has signers whose keys are unknown"
    assert Device(folder).boots(image) == (1, unknown)
    assert not Device(folder).gemel_passes(image, plain[0])


def test_a_pair(folder: Path, plain: tuple[ReadLayout, SparseBytes]) -> None:
    """One classical and one ML-DSA signature: either alone, or two classical ones, are refused."""
    device = Device(folder, keys=("ed25519", "p256", "ml-dsa"), signers=2, more=("--pair",))
    read = layout_of("in-place", "required = true\npair = true\n")
    assert device.boots(sealed(plain, "ed25519", "ml-dsa"))[0] == 0
    assert device.gemel_passes(sealed(plain, "ed25519", "ml-dsa"), read)
    for names in (("ed25519",), ("ml-dsa",), ("ed25519", "p256")):
        assert device.boots(sealed(plain, *names))[0] == 1
        assert not device.gemel_passes(sealed(plain, *names), read)
    damaged = _flipped(sealed(plain, "ed25519", "ml-dsa"), SEAL.start + 1000)
    assert device.boots(damaged)[0] == 1
    assert not device.gemel_passes(damaged, read)


def test_several_memories_as_join_writes_them(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """``join --memory`` writes each memory whole; a byte anywhere in either, outside reserved areas, counts."""
    from small_device import layout_text, sampler_elf, station_elf

    from gemel.cli.main import exit_code

    second = '\n[memory.second]\nkind = "flash"\nstart = 0x1800_0000\nsize = "8 KiB"\nerased_byte = 0xFF\n'
    room = {
        'seal = { memory = "flash", offset = "11 KiB"': 'seal = { memory = "second", offset = 0',
    }
    monkeypatch.chdir(tmp_path)
    Path("small.toml").write_text(layout_text(room, f'{second}\n[seal]\narea = "seal"\n'), encoding="utf-8")
    Path("station.elf").write_bytes(station_elf())
    Path("sampler.elf").write_bytes(sampler_elf())
    Path("key.pem").write_bytes(KEYS["ed25519"].to_pem(None))
    Path("key.pem").chmod(0o600)
    words = ["station=station.elf", "sampler=sampler.elf", "--key", "key.pem", "-o", "small.hex"]
    files = ["--memory", f"flash={folder / 'one.bin'}", "--memory", f"second={folder / 'two.bin'}"]
    assert exit_code(["join", "small.toml", *words, *files]) == 0
    sizes = [(folder / name).stat().st_size for name in ("one.bin", "two.bin")]
    assert sizes == [16 << 10, 8 << 10]
    vendor = uuid.uuid5(uuid.NAMESPACE_DNS, "harbour.example")
    device = Device(
        folder,
        product="small-device",
        vendor=vendor,
        product_class=uuid.uuid5(vendor, "small device"),
        more=("--reserved", "10002000", "800"),
    )
    flash = ("--flash", "10000000", "one.bin", "--flash", "18000000", "two.bin")
    places = {"record": Span(0x1000_2800, 0x400), "seal": Span(0x1800_0000, 0x400)}
    assert device.boots_with(*flash, **places) == (0, "started: small-device 1.2.3")
    for name, offset, code in (
        ("one.bin", 0x100, 1),
        ("one.bin", 0x3FFF, 1),
        ("one.bin", 0x2100, 0),
        ("two.bin", 0x500, 1),
        ("two.bin", 0x1FFF, 1),
        ("two.bin", 0x3FF, 1),
    ):
        path = folder / name
        kept = path.read_bytes()
        path.write_bytes(kept[:offset] + bytes((kept[offset] ^ 0x55,)) + kept[offset + 1 :])
        assert device.boots_with(*flash, **places)[0] == code, (name, hex(offset))
        path.write_bytes(kept)


def test_an_old_image_is_refused(folder: Path, plain: tuple[ReadLayout, SparseBytes]) -> None:
    """The gauge's rollback counter is 3: a device that accepts 3 starts it, one that demands 4 does not."""
    image = sealed(plain, "p256")
    assert Device(folder, at_least=3).boots(image)[0] == 0
    assert Device(folder, at_least=4).boots(image) == (1, "refused: older than this device accepts")
    assert Device(folder, at_least=3).gemel_passes(image, plain[0])
    assert not Device(folder, at_least=4).gemel_passes(image, plain[0])


def test_single_changed_bytes_are_found_as_gemel_finds_them(
    folder: Path, plain: tuple[ReadLayout, SparseBytes]
) -> None:
    """A byte here and there in the whole flash, and many in record and seal: boot check and gemel refuse."""
    generator = random.Random(20_261_124)
    places = [generator.randrange(FLASH.start, FLASH.end) for _ in range(60)]
    places += [generator.randrange(RECORD.start, RECORD.start + 600) for _ in range(60)]
    places += [generator.randrange(SEAL.start, SEAL.start + 320) for _ in range(120)]
    image = filled(sealed(plain, "ed25519", "p256"), FLASH)
    device = Device(folder, signers=2)
    read = layout_of("in-place", "required = true\nsigners = 2\n")
    assert device.boots(image)[0] == 0
    for address in places:
        changed = _flipped(image, address)
        assert device.boots(changed)[0] == 1, hex(address)
        assert not device.gemel_passes(changed, read), hex(address)


def test_the_readme_builds_and_runs_it(
    folder: Path, plain: tuple[ReadLayout, SparseBytes], tmp_path: Path
) -> None:
    """The compiler's command in the README builds the example, and the numbers in it are the gauge's."""
    text = (EXAMPLE / "README.md").read_text("utf-8")
    (build,) = re.findall(r"^\$ (cc .*)$", text, re.MULTILINE)
    (call,) = re.findall(r"^\$ \./boot-check (.*) --key release-pub\.der$", text, re.MULTILINE)
    for path in EXAMPLE.glob("*.[ch]"):
        (tmp_path / path.name).write_bytes(path.read_bytes())
    (tmp_path / FILE_NAME).write_text(c_reader(), encoding="utf-8")
    required_tool("cc")
    subprocess.run(build.split(), cwd=tmp_path, check=True)
    (tmp_path / "flash.bin").write_bytes(sealed(plain, "ed25519").read(FLASH, 0xFF))
    words = [*call.split(), "--key", str(folder / "ed25519.der")]
    done = subprocess.run(
        [tmp_path / "boot-check", *words], cwd=tmp_path, capture_output=True, text=True, check=True
    )
    assert done.stdout.splitlines() == ["started: tide-gauge 1.4.2"]
