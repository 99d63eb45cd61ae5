"""Limits of what workflows and releases read and write, each at both its sides."""

from __future__ import annotations

import hashlib
import resource
from collections.abc import Callable, Mapping
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
import small_device
from both_sides import Limits, assert_both_sides
from debug_of_any_size import PRODUCER, station, unit
from sealed_device import write_device
from small_device import layout

from gemel.builds.build import Build
from gemel.errors import GemelError
from gemel.files.paths import FilePath
from gemel.image.image import Image, ImageFile
from gemel.joining.pipeline import join
from gemel.release.contents import MAX_LISTED, ReleaseContents, ReleasedVex, contents_text, read_contents
from gemel.release.linked_in import LinkedLibrary, made_of
from gemel.release.provenance import DsseSignature, Envelope, envelope_text, read_envelope
from gemel.release.received.rules import _shortened
from gemel.release.sbom import _linked
from gemel.workflows.auditing.many_images import audit_images
from gemel.workflows.auditing.worker import _limit_memory
from gemel.workflows.made_elsewhere import _signature_bytes
from gemel.workflows.releasing.inputs import _document
from gemel.workflows.releasing.received import read_folder
from gemel.workflows.writing import encoded, made_file, memory_files, write_files


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


def _units(count: int) -> Build:
    """A build of ``count`` compilation units by as many compilers."""
    units = b"".join(unit(b"\x01cc 1.%d\0a.c\0" % number) for number in range(count))
    return small_device.build("station", station({".debug_info": units, ".debug_abbrev": PRODUCER}))


def _made(count: int) -> bool:
    """Whether all of ``count`` compilation units are looked at."""
    debug = _units(count).debug
    return debug is not None and not debug.unit_makers().damaged


def _vex(count: int) -> bool:
    """Whether a list of contents may name ``count`` VEX documents."""
    contents = ReleaseContents(
        1, "a", None, 0, "b", "c", False, (), (), (), (ReleasedVex("d", "CSAF"),) * count
    )
    try:
        return len(read_contents(contents_text(contents), "release.json").vex) == count
    except GemelError:
        return False


def _audited(jobs: int) -> bool:
    """Whether an audit may have so many processes."""
    with TemporaryDirectory() as folder:
        write_device(Path(folder))
        try:
            return list(audit_images([], layout=Path(folder) / "small.toml", jobs=jobs)) == []
        except GemelError:
            return False


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
    "workflows.releasing.received.MAX_TOTAL": (
        9,
        lambda size: _is_read(read_folder, {"a": 4, "b": size - 4}),
    ),
    "workflows.releasing.received.MAX_FILES": (
        3,
        lambda count: _is_read(read_folder, {f"{number}": 1 for number in range(count)}),
    ),
    "workflows.made_elsewhere.MAX_SIGNATURE": (
        9,
        lambda size: _is_read(_signature_bytes, {"a": size}, "a"),
    ),
    "workflows.releasing.inputs.MAX_DOCUMENT": (9, lambda size: _is_read(_document, {"a": size}, "a")),
    "release.provenance.MAX_SIGNATURES": (3, _signatures),
    "release.linked_in.MAX_LISTED": (3, lambda count: len(made_of(_units(count)).producers) == count),
    "release.received.rules.MAX_QUOTED": (9, lambda size: len(_shortened("x" * size)) == size),
    "builds.dwarf.unit_sources.MAX_MAKERS": (3, _made),
    "workflows.auditing.many_images.MAX_JOBS": (2, _audited),
    "release.sbom.MAX_MEMBERS": (3, _members),
}


@pytest.mark.parametrize("name", LIMITS)
def test_both_sides(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """What a limit allows is read, and one more is refused, or left out and counted."""
    assert_both_sides(monkeypatch, LIMITS, name)


def test_the_longest_list_of_contents() -> None:
    """As many documents as may be listed are, one more is refused."""
    assert _vex(MAX_LISTED)
    assert not _vex(MAX_LISTED + 1)


@pytest.mark.parametrize(("less", "taken"), [(0, True), (1, False)])
def test_the_largest_memory_written_whole(less: int, taken: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """A memory of as many bytes as the limit is written whole, a larger one is not."""
    read = layout().layout
    monkeypatch.setattr("gemel.workflows.writing.MAX_WHOLE", read.memories["flash"].size - less)
    try:
        assert memory_files(read, ["flash=a.bin"]) == {"a.bin": "flash"}
    except GemelError:
        assert not taken
    else:
        assert taken


@pytest.mark.parametrize("blocks", [[], [b"abc"], [b"abc", b"de"]])
@pytest.mark.parametrize("less", [-1, 0, 1])
def test_the_largest_file_that_is_kept(
    blocks: list[bytes], less: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The blocks of a file of as many bytes as the limit stay; a larger one has its size and digest alone."""
    data = b"".join(blocks)
    monkeypatch.setattr("gemel.workflows.writing.MAX_KEPT", len(data) - less)
    made = made_file(iter(blocks))
    assert made.file == ImageFile(len(data), hashlib.sha256(data).digest())
    assert b"".join(made.blocks) == (data if less < 1 else b"")


@pytest.mark.parametrize("kept", [0, 1 << 24])
def test_a_file_that_is_made_is_written_as_it_is(
    kept: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The bytes of every output, and what is said of it, are the same whether the first was kept or is made again."""
    monkeypatch.setattr("gemel.workflows.writing.MAX_KEPT", kept)
    read = layout()
    image = Image(join(read, small_device.builds()).image)
    paths = [FilePath(tmp_path / name) for name in ("b.hex", "a.bin", "c.srec")]
    made = {path: made_file(encoded(path, image.data, read.layout, None)) for path in paths[:1]}
    assert bool(made[paths[0]].blocks) == bool(kept)
    written = write_files(image, paths, layout=read, memories={}, form=None, made=made)
    assert list(written) == paths
    for path in paths:
        data = b"".join(encoded(path, image.data, read.layout, None))
        assert Path(path).read_bytes() == data
        assert written[path] == ImageFile(len(data), hashlib.sha256(data).digest())


@pytest.mark.parametrize(("allowed", "limit"), [(99, 99), (100, 100), (101, 100), (-1, 100)])
def test_the_largest_memory_of_a_process(allowed: int, limit: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """A process that judges images may take MAX_MEMORY, and no more than the system allows (-1: any)."""
    given = []
    monkeypatch.setattr("gemel.workflows.auditing.worker.MAX_MEMORY", 100)
    monkeypatch.setattr(resource, "getrlimit", lambda _: (0, allowed))
    monkeypatch.setattr(resource, "setrlimit", lambda _, limits: given.append(limits))
    _limit_memory()
    assert given == [(limit, allowed)]
