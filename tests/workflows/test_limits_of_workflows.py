"""Limits of what workflows and releases read and write, each at both its sides."""

from __future__ import annotations

import resource
from collections.abc import Callable, Mapping
from pathlib import Path
from tempfile import TemporaryDirectory
from types import SimpleNamespace

import pytest
from both_sides import Limits, assert_both_sides
from small_device import layout

from gemel.errors import GemelError
from gemel.release.dsse import DsseSignature, Envelope, envelope_text, read_envelope
from gemel.release.linked_in import LinkedLibrary, _units
from gemel.release.sbom import _linked
from gemel.workflows.audit_worker import _limit_memory
from gemel.workflows.checking_release import read_folder
from gemel.workflows.made_elsewhere import _signature_bytes
from gemel.workflows.release_inputs import _document
from gemel.workflows.writing import memory_files


def _is_read(reader: Callable[[Path], object], files: Mapping[str, int], name: str = "") -> bool:
    """Whether a folder with files of these sizes is read, or the one of that name in it."""
    with TemporaryDirectory() as folder:
        for each, size in files.items():
            (Path(folder) / each).write_bytes(bytes(size))
        try:
            reader(Path(folder) / name)
        except GemelError:
            return False
        return True


def _signatures(count: int) -> bool:
    text = envelope_text(Envelope(b"{}", "text", (DsseSignature("", b"x"),) * count))
    try:
        return len(read_envelope(text, "a.json").signatures) == count
    except GemelError:
        return False


def _unit_read(count: int) -> bool:
    """Whether all of ``count`` compilation units are looked at."""
    unit = SimpleNamespace(get_top_DIE=lambda: SimpleNamespace(attributes={}))
    information = SimpleNamespace(iter_CUs=lambda: iter([unit] * count))
    return len(list(_units(SimpleNamespace(get_dwarf_info=lambda: information)))) == count


def _members(count: int) -> bool:
    """Whether all members of a library are listed."""
    import cyclonedx.model
    from cyclonedx.model import component

    members = tuple(f"m{number}.o" for number in range(count))
    part = _linked(component, cyclonedx.model, "station", LinkedLibrary("libc", "", "", members))
    names = [each.name for each in part.properties]
    assert names.count("gemel:member") + names.count("gemel:members-not-listed") == count
    return "gemel:members-not-listed" not in names


LIMITS: Limits = {
    "workflows.checking_release.MAX_TOTAL": (9, lambda size: _is_read(read_folder, {"a": 4, "b": size - 4})),
    "workflows.checking_release.MAX_FILES": (
        3,
        lambda count: _is_read(read_folder, {f"{number}": 1 for number in range(count)}),
    ),
    "workflows.made_elsewhere.LARGEST_SIGNATURE": (
        9,
        lambda size: _is_read(_signature_bytes, {"a": size}, "a"),
    ),
    "workflows.release_inputs.MAX_DOCUMENT": (9, lambda size: _is_read(_document, {"a": size}, "a")),
    "release.dsse.MAX_SIGNATURES": (3, _signatures),
    "release.linked_in.MAX_UNITS": (3, _unit_read),
    "release.sbom.MAX_MEMBERS": (3, _members),
}


@pytest.mark.parametrize("name", LIMITS)
def test_both_sides(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """What a limit allows is read, and one more is refused, or left out and counted."""
    assert_both_sides(monkeypatch, LIMITS, name)


@pytest.mark.parametrize(("less", "taken"), [(0, True), (1, False)])
def test_the_largest_memory_written_whole(less: int, taken: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """A memory of as many bytes as the limit is written whole, a larger one is not."""
    read = layout().layout
    monkeypatch.setattr("gemel.workflows.writing.MAX_WHOLE", read.memories["flash"].size - less)
    try:
        assert memory_files(read, ["flash=a.bin"]) == {Path("a.bin"): "flash"}
    except GemelError:
        assert not taken
    else:
        assert taken


@pytest.mark.parametrize(("allowed", "limit"), [(99, 99), (100, 100), (101, 100), (-1, 100)])
def test_the_largest_memory_of_a_process(allowed: int, limit: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """A process that judges images may take LARGEST_MEMORY, and no more than the system allows (-1: any)."""
    given = []
    monkeypatch.setattr("gemel.workflows.audit_worker.LARGEST_MEMORY", 100)
    monkeypatch.setattr(resource, "getrlimit", lambda _: (0, allowed))
    monkeypatch.setattr(resource, "setrlimit", lambda _, limits: given.append(limits))
    _limit_memory()
    assert given == [(limit, allowed)]
