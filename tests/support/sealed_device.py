"""The small device with a seal, as files, and gemel's command line run on it in this process."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
import small_device
from seal_keys import key_for

from gemel.cli.main import exit_code
from gemel.image.intel_hex import decode
from gemel.image.sparse import SparseBytes
from gemel.layout.reader import ReadLayout
from gemel.seals.keys.files import load_private_key, load_public_key
from gemel.seals.keys.keys import PrivateKey, PublicKey, new_private_key
from gemel.seals.seal import Seal
from gemel.seals.sealing import present_seal, record_bytes
from gemel.spans import Span

SEAL = '\n[seal]\narea = "seal"\n'
REQUIRED = SEAL + "required = true\n"
BUILDS = ("station=station.elf", "sampler=sampler.elf")
JOIN = ("join", "small.toml", *BUILDS)
ALGORITHMS = (
    "Ed25519",
    "ECDSA-P256",
    "ECDSA-P384",
    "RSA-3072-PSS",
    "RSA-4096-PSS",
    "ML-DSA-65",
    "ML-DSA-87",
)
ROOMY = {
    'seal = { memory = "flash", offset = "11 KiB", size = "1 KiB"': (
        'seal = { memory = "flash", offset = "12 KiB", size = "4 KiB"'
    ),
    'size = "16 KiB"\nerase_block': 'size = "32 KiB"\nerase_block',
}
"""Room for one signature of every algorithm but ML-DSA-87, and for that with 8 KiB."""


@dataclass(frozen=True)
class Ran:
    """How a command ended and all that it printed."""

    code: int
    out: str
    err: str

    @property
    def everything(self) -> str:
        """Both streams."""
        return self.out + self.err


Run = Callable[..., Ran]


def run_here(capfd: pytest.CaptureFixture[str]) -> Run:
    """A function that runs one command line in this process and the present folder."""

    def run(*words: str | Path) -> Ran:
        capfd.readouterr()
        code = exit_code([str(word) for word in words])
        said = capfd.readouterr()
        return Ran(code, said.out, said.err)

    return run


def write_device(folder: Path, seal: str = REQUIRED, replace: dict[str, str] | None = None) -> None:
    """``small.toml`` with ``seal`` behind it, and both builds."""
    (folder / "small.toml").write_text(small_device.layout_text(replace, seal), encoding="utf-8")
    (folder / "station.elf").write_bytes(small_device.station_elf())
    (folder / "sampler.elf").write_bytes(small_device.sampler_elf())


def write_key(path: Path, of: str | PrivateKey = "Ed25519", pass_phrase: bytes | None = None) -> PrivateKey:
    """A private key in ``path`` for its owner alone, its public part beside it as ``NAME-pub.pem``.

    ``of`` is the key, or the algorithm of a fresh one; of RSA, which takes a second to make, of the published one.
    """
    key = of if isinstance(of, PrivateKey) else key_for(of) if of.startswith("RSA") else new_private_key(of)
    path.touch(0o600)
    path.write_bytes(key.to_pem(pass_phrase))
    public_file(path).write_bytes(key.public_key.to_pem())
    return key


def public_file(path: Path) -> Path:
    """Where ``write_key`` puts the public part."""
    return path.with_name(f"{path.stem}-pub.pem")


def read_device(folder: Path) -> ReadLayout:
    """The device's layout."""
    return small_device.read_once((folder / "small.toml").read_bytes())


def read_image(path: Path) -> SparseBytes:
    """The image in an Intel HEX file."""
    return decode([path.read_bytes()], path.name).image


def seal_of(path: Path, folder: Path | None = None) -> Seal:
    """The seal in an Intel HEX file."""
    return present_seal(read_device(folder or path.parent).layout, read_image(path))


def record_of(path: Path, folder: Path | None = None) -> bytes:
    """The record's bytes in an Intel HEX file."""
    return record_bytes(read_device(folder or path.parent).layout, read_image(path))


def bytes_in(path: Path, span: Span) -> bytes:
    """Bytes of an Intel HEX file; unwritten ones as 0xFF."""
    return read_image(path).read(span, 0xFF)


def private_of(path: Path) -> PrivateKey:
    """The key in a file without pass phrase."""
    return load_private_key(path.read_bytes(), path.name)


def public_of(path: Path) -> PublicKey:
    """The public key in a file."""
    return load_public_key(path.read_bytes(), path.name)
