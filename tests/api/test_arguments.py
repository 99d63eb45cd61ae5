"""What scripts pass that is of another kind: a clear error that names the argument, nothing hangs, nothing is done."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import pytest
from sealed_device import write_device
from small_device import joined, station_elf

import gemel
from gemel import GemelError
from gemel.arguments import MAX_BITS, fits

ODD = (
    None, b"bytes", b"\xff", 5, -1, 3.5, "", "nope", "a\0b", "\ud800", "x" * 5000, "fifo", "folder", "/dev/zero",
    "/proc/self/mem", Path("/dev/zero"), Path("fifo"), object(), True, ["x"], [None], [b"x"], {"x": "y"},
    {"station": None}, {"station": Path("/dev/zero")}, {"station": "fifo"}, {None: "station.elf"}, 1 << 70, 10**5000,
)  # fmt: skip


def asked(layout: Any, image: Any) -> dict[str, Callable[[Any], object]]:
    """Each public function by one of its arguments."""
    return {
        "audit_images, paths": lambda x: list(gemel.audit_images(x, layout="small.toml")),
        "audit_images, layout": lambda x: list(gemel.audit_images([], layout=x)),
        "audit_images, layouts": lambda x: list(gemel.audit_images([], layouts=x)),
        "audit_images, index": lambda x: list(gemel.audit_images([], layout="small.toml", index=x)),
        "audit_images, jobs": lambda x: list(gemel.audit_images([], layout="small.toml", jobs=x)),
        "audit_images, trust": lambda x: list(gemel.audit_images([], layout="small.toml", trust=x)),
        "check_release, path": gemel.check_release,
        "load_layout, path": gemel.load_layout,
        "load_key, path": gemel.load_key,
        "load_public_key, path": gemel.load_public_key,
        "read_image, path": gemel.read_image,
        "load_builds, given": lambda x: gemel.load_builds(layout, x),
        "load_builds, layout": lambda x: gemel.load_builds(x, {"station": "station.elf"}),
        "check, layout": lambda x: gemel.check(x, image),
        "check, image": lambda x: gemel.check(layout, x),
        "check, builds": lambda x: gemel.check(layout, image, x),
        "check, trusted": lambda x: gemel.check(layout, image, trusted=x),
        "check, min_rollback": lambda x: gemel.check(layout, image, min_rollback=x),
        "join, builds": lambda x: gemel.join(layout, x),
        "join, rollback": lambda x: gemel.join(layout, gemel.load_builds(layout, {}), rollback=x),
        "join, version": lambda x: gemel.join(layout, gemel.load_builds(layout, {}), version=x),
        "describe, image": gemel.describe,
        "compare, new": lambda x: gemel.compare(image, x),
        "split, image": lambda x: gemel.split(layout, x),
        "where, builds": lambda x: gemel.where("0x1000_0000", builds=x),
        "draft_layout, builds": gemel.draft_layout,
        "rehearse, budget": lambda x: gemel.rehearse(layout, image, budget=x),
        "rehearse, image": lambda x: gemel.rehearse(layout, x),
        "seal, signers": lambda x: gemel.seal(layout, image, x),
        "write_images, paths": lambda x: gemel.write_images(image, x, layout=layout),
        "make_release, request": gemel.make_release,
        "write_release, released": lambda x: gemel.write_release("made", x),
    }


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The small device with a seal, a FIFO and a folder."""
    write_device(tmp_path)
    monkeypatch.chdir(tmp_path)
    os.mkfifo("fifo")
    Path("folder").mkdir()
    return tmp_path


NAMES = list(asked(None, None))


@pytest.mark.parametrize("name", NAMES)
def test_other_kinds_are_refused_in_words(folder: Path, name: str) -> None:
    """The attack: bytes for a path, a device for a file, a text for a list; each ends with an error or an answer."""
    layout = gemel.load_layout("small.toml")
    function = asked(layout, gemel.Image(joined().image))[name]
    refused = []
    for value in ODD:
        if name == "write_images, paths" and isinstance(value, str | Path) and str(value).startswith("/"):
            continue  # an output may be a device
        try:
            function(value)
        except GemelError as error:
            refused.append(str(error))
    assert len(refused) > len(ODD) // 2
    assert all(refused)


def test_a_build_that_the_layout_does_not_have_is_refused(folder: Path) -> None:
    """As by the commands, and the nearest name is said; a build of the layout alone is taken."""
    layout, image = gemel.load_layout("small.toml"), gemel.Image(joined().image)
    builds = gemel.load_builds(layout, {"station": "station.elf"})
    with pytest.raises(GemelError, match="the layout has no such build") as caught:
        gemel.check(layout, image, {"stations": builds["station"], **builds})
    assert [(each.found, each.next_step) for each in caught.value.problems] == [
        ("stations", 'did you mean "station"?')
    ]
    assert set(gemel.check(layout, image, builds).inspection.builds) == {"station"}


def test_the_argument_is_named(folder: Path) -> None:
    """All that are wrong at once, each by its name and what it takes."""
    with pytest.raises(GemelError) as caught:
        gemel.audit_images("image.hex", layout=b"small.toml", trust=[None])  # type: ignore[arg-type, list-item]
    assert [each.where for each in caught.value.problems] == [
        f"gemel.audit_images, {name}" for name in ("paths", "layout", "trust")
    ]


@pytest.mark.parametrize("kind", [str, Path, os.fspath])
def test_paths_of_every_kind_are_taken(folder: Path, kind: Callable[[Any], Any]) -> None:
    """Texts, paths, generators of them, and a build as bytes."""
    layout = gemel.load_layout(kind(Path("small.toml")))
    builds = gemel.load_builds(layout, {"station": station_elf(), "sampler": kind(Path("sampler.elf"))})
    assert set(builds) == {"station", "sampler"}
    paths: Iterable[Any] = (kind(Path(each)) for each in ("station.elf",))
    assert len(list(gemel.audit_images(paths, layout=kind(Path("small.toml")), jobs=1))) == 1


def test_annotations_are_read() -> None:
    """Unions, lists and tables; a name that is not known is not looked into."""
    assert fits({"a": Path("b")}, "Mapping[str, str | Path] | None")
    assert not fits({"a": 5}, "Mapping[str, str | Path] | None")
    assert not fits("ab", "Sequence[str]")
    assert fits(5, "Strict | None")
    assert not fits(True, "int")
    assert fits((1 << MAX_BITS) - 1, "int | None")
    assert not fits(1 << MAX_BITS, "int | None")
