"""Releases of the small device for tests: made in this process, and written into a folder."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from seal_keys import key_for
from small_device import layout_text, sampler_elf, station_elf

from gemel.files.folders import write_folder
from gemel.seals.keys.algorithms import SignatureAlgorithm
from gemel.seals.keys.keys import PrivateKey
from gemel.workflows.releasing.inputs import ReleaseRequest
from gemel.workflows.releasing.release import Released, make_release

SEAL = '\n[seal]\narea = "seal"\ntrust = ["release.pem"]\n'
"""The seal of the small device, by the published Ed25519 key."""


class Keys:
    """Private keys in memory, as the command line has them from files."""

    def __init__(self, *keys: PrivateKey) -> None:
        self.keys = list(keys)

    def __len__(self) -> int:
        return len(self.keys)

    def open(self) -> list[PrivateKey]:
        """All of them."""
        return self.keys

    @property
    def known_algorithms(self) -> list[SignatureAlgorithm]:
        """Their algorithms."""
        return [key.algorithm for key in self.keys]


ED25519 = Keys(key_for("Ed25519"))
NO_KEYS = Keys()


def write_device(
    folder: Path, add: str = SEAL, replace: Mapping[str, str] | None = None, key: PrivateKey | None = None
) -> Path:
    """The small device's layout, builds and public key as files."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "small.toml").write_text(layout_text(replace, add), encoding="utf-8")
    (folder / "station.elf").write_bytes(station_elf())
    (folder / "sampler.elf").write_bytes(sampler_elf())
    (folder / "release.pem").write_bytes((key or key_for("Ed25519")).public_key.to_pem())
    return folder


def request(folder: Path, **changes: Any) -> ReleaseRequest:
    """A request for the device in ``folder``."""
    words = [f"{name}={folder / name}.elf" for name in ("station", "sampler")]
    given = {"layout": folder / "small.toml", "builds": words, "date": "2026-11-24", **changes}
    return ReleaseRequest(**given)


def released(folder: Path, keys: Keys = ED25519, **changes: Any) -> Released:
    """The release of the device in ``folder``; that it was made is for the caller to say."""
    return make_release(request(folder, **changes), keys)


def release_folder(tmp_path: Path, keys: Keys = ED25519, add: str = SEAL, **changes: Any) -> Path:
    """A release of the small device as a folder ``out`` in ``tmp_path``."""
    device = write_device(tmp_path / "device", add)
    made = released(device, keys, **changes)
    assert made.files, made.check.to_text()
    write_folder(tmp_path / "out", {name: [data] for name, data in made.files.items()})
    return tmp_path / "out"


def broken(result: Any, *names: str) -> Sequence[str]:
    """The names of the rules that ``result`` has broken, those that begin with one of ``names``."""
    return [
        each.rule.name
        for each in result.results
        if each.status == "broken" and (not names or each.rule.name.startswith(names))
    ]
