"""What a release is made of: the request, and everything that is read before anything is made."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from gemel.builds.build import Build
from gemel.errors import Problem, UsageProblem, all_of
from gemel.files.paths import FilePath
from gemel.files.reading import limited
from gemel.image.image import Image
from gemel.inspection.inspection import Strict
from gemel.layout.reader import ReadLayout
from gemel.release.contents import IMAGE_FORMATS, MAX_DOCUMENT, ReleasedVex, is_safe_name
from gemel.structs import NamedTuple, Struct, replace
from gemel.workflows.inputs.builds import OLD, build_files, load_builds
from gemel.workflows.inputs.images import read_images
from gemel.workflows.inputs.layouts import layout_from
from gemel.workflows.inputs.unreadable import with_unreadable
from gemel.workflows.inputs.values import date_of, version_of
from gemel.workflows.read_back import build_bytes
from gemel.workflows.sealing import SignerSource, refuse_unsealable
from gemel.workflows.trust import given_policy

if TYPE_CHECKING:
    import datetime
    from pathlib import Path

    from gemel.policy.reader import ReadPolicy
    from gemel.release.read_back.readers import BuildFile


class ReleaseRequest(Struct, kw_only=True):
    """What is to be released, as the options of ``gemel release`` have it.

    ``builds`` are NAME=FILE, of the ``previous`` image old:NAME=FILE, or files by these names; ``sboms`` are
    [NAME=]FILE; ``memories`` says whether whole-memory binaries are made.
    """

    layout: str | Path
    builds: Sequence[str] | Mapping[str, str | Path] = ()
    formats: Sequence[str] = ("hex",)
    memories: bool = True
    version: str | None = None
    rollback: int | None = None
    previous: str | Path | None = None
    policy: str | Path | None = None
    sboms: Sequence[str] = ()
    vex: Sequence[str | Path] = ()
    builder: str | None = None
    rehearse: bool = False
    strict: Strict = ""
    disassemble: bool = True
    date: str | None = None
    paths_outside: bool = False


class Inputs(NamedTuple):
    """Everything that is read before anything is made."""

    read: ReadLayout
    layout_bytes: bytes
    builds: dict[str, Build]
    build_files: dict[str, BuildFile]
    old_builds: dict[str, Build]
    previous: Image | None
    policy: ReadPolicy | None
    sboms: list[tuple[str, str, bytes]]
    vex: dict[ReleasedVex, bytes]
    date: datetime.date | None


def read_inputs(request: ReleaseRequest, keys: SignerSource) -> Inputs:
    """Read all that ``request`` names; raises what reading raises, and UsageProblem for what cannot be requested."""
    version_of(request.version)
    formats_of(request)
    date = date_of(request.date)
    _refuse_builder(request.builder)
    policy = given_policy(request.policy)
    given = request.builds
    words = [f"{name}={file}" for name, file in given.items()] if isinstance(given, Mapping) else given

    def read_them() -> tuple[bytes, ReadLayout, dict[str, FilePath], dict[str, FilePath]]:
        layout_bytes = _document(FilePath(request.layout), plain=False)
        read = replace(layout_from(layout_bytes, str(request.layout)), paths_outside=request.paths_outside)
        files = build_files(read, [text for text in words if not text.startswith(OLD)], by_path=True)
        old = build_files(read, [text.removeprefix(OLD) for text in words if text.startswith(OLD)])
        return layout_bytes, read, files, old

    before = FilePath(request.previous) if request.previous else None
    layout_bytes, read, files, old = with_unreadable(read_them, *words, before)
    refuse_unsealable(read.layout, keys, False)
    if old and request.previous is None:
        what, step = "builds of a previous image without one", "give it with --previous"
        raise UsageProblem(what, found=" ".join(f"{OLD}{name}" for name in old), next_step=step)
    previous, builds, old_builds = all_of(
        lambda: read_images([before], read, None)[0] if before else None,
        lambda: load_builds(read, files),
        lambda: load_builds(read, old),
    )
    sboms = []
    for text in request.sboms:
        name, equals, file = text.partition("=")
        path = FilePath(file if equals and name in read.layout.builds else text)
        owner = name if equals and name in read.layout.builds else ""
        sboms.append((owner, path.name, _document(path)))
    return Inputs(
        read,
        layout_bytes,
        builds,
        build_bytes(files, builds),
        old_builds,
        previous,
        policy,
        sboms,
        _vex([FilePath(each) for each in request.vex]),
        date,
    )


def _vex(paths: Sequence[FilePath]) -> dict[ReleasedVex, bytes]:
    """The VEX documents, with their names in the folder; raises UsageProblem for all that cannot be in it."""
    from gemel.release.vex import read_vex

    found: dict[ReleasedVex, bytes] = {}
    names: set[str] = set()
    problems: list[Problem] = []
    for path in paths:
        name = f"vex/{path.name}"
        if not is_safe_name(name) or name.casefold() in names:
            what, step = "a VEX document cannot have its name in the folder", "give the file another name"
            expected = 'names that differ, without \\ : * ? " < > |'
            problems.append(
                Problem(what, where=f"--vex {path}", found=path.name, expected=expected, next_step=step)
            )
            continue
        try:
            data = _document(path)
            found[ReleasedVex(name, read_vex(data, f"--vex {path}").form)] = data
            names.add(name.casefold())
        except UsageProblem as error:
            problems += error.problems
    if problems:
        raise UsageProblem(problems)
    return found


def _document(path: FilePath, *, plain: bool = True) -> bytes:
    """The bytes of a document; raises UsageProblem for one that is too large."""
    return limited(path, MAX_DOCUMENT, "a document", plain=plain)


def _refuse_builder(builder: str | None) -> None:
    if builder is not None and not re.fullmatch(r"[A-Za-z][A-Za-z0-9+.-]*:[!-~]{1,1000}", builder):
        expected = "SCHEME:..., as in https://ci.harbour.example/release"
        raise UsageProblem(
            "the builder is named by a URI", where="--builder", found=builder[:80], expected=expected
        )


def formats_of(request: ReleaseRequest) -> list[str]:
    """The chosen formats in an order of their own, whatever order they were chosen in; raises UsageProblem."""
    unknown = sorted(set(request.formats) - set(IMAGE_FORMATS))
    if unknown or not request.formats:
        expected = ", ".join(IMAGE_FORMATS)
        raise UsageProblem("not a format of images", found=", ".join(unknown) or "none", expected=expected)
    return [form for form in IMAGE_FORMATS if form in request.formats]
