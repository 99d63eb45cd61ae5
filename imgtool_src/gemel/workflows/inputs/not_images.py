"""What people give in place of an image: a build, a folder, another format; reported before its suffix is."""

from __future__ import annotations

import os
import stat
from typing import Literal

from gemel.errors import Problem, UsageProblem
from gemel.files.contents import ELF_START, LOOK, foreign, text_format
from gemel.files.paths import FilePath
from gemel.structs import replace
from gemel.text.escaping import in_shell

AN_ELF = "an ELF file"
RELOCATABLE = 1
IMAGES = "an image: .hex, .srec or .bin"


def refuse_no_image(path: FilePath, form: str | None = None) -> None:
    """Raise UsageProblem for a file that is no image of the format that its name promises, by its first bytes.

    ``form`` is the format that was requested: then only what is no image in any format is refused.
    """
    try:
        mode = os.stat(path).st_mode
        if stat.S_ISDIR(mode):
            raise UsageProblem(a_folder(path))
        if not stat.S_ISREG(mode):
            return  # a pipe can be read once only, and a missing file is for the reader of images to report
        with open(path, "rb") as file:
            start = file.read(LOOK)
    except (OSError, ValueError):
        return
    if start.startswith(ELF_START):
        raise UsageProblem(_a_build(path, start))
    suffix = path.suffix.lower()
    if suffix == ".toml" and form is None:
        raise UsageProblem(
            "this is a layout, not an image",
            where=str(path),
            found="a file in TOML",
            expected=IMAGES,
            next_step="give the image; a layout is given once, before it",
        )
    if form != "bin" and (other := foreign(start, text=suffix != ".bin")):
        problem = Problem("this is not an image", where=str(path), found=other.words, expected=IMAGES)
        raise UsageProblem(replace(problem, next_step=other.step))
    misnamed = _misnamed(path, suffix, start) if form is None else None
    if misnamed:
        raise UsageProblem(misnamed)


def a_folder(path: FilePath) -> Problem:
    """A folder in place of an image, with the command that takes one."""
    what, found, step = (
        "this is a folder, not an image",
        "a folder",
        f"gemel audit LAYOUT {in_shell(path)} checks all images in it",
    )
    if os.path.isfile(path / "release.json"):
        found, step = "a folder of gemel release", f"gemel check --release {in_shell(path)} checks it whole"
        if image := _first_image(path):
            step += f"; an image in it is {image}"
    elif os.path.isfile(layout := path / "gemel.toml"):
        step += f"; a layout in it is {layout}"
    return Problem(what, where=str(path), found=found, expected=IMAGES, next_step=step)


def _first_image(folder: FilePath) -> FilePath | None:
    """The first image in a folder that says itself where it goes; None where there is none."""
    from gemel.image.formats import FORMATS

    suffixes = {suffix for each in FORMATS if each.short != "bin" for suffix in each.suffixes}
    try:
        files = (folder / name for name in os.listdir(folder))
        return min((each for each in files if each.suffix.lower() in suffixes), default=None)
    except OSError:
        return None


def _a_build(path: FilePath, start: bytes) -> Problem:
    given = in_shell(f"{path.stem}={path}")
    found = elf_words(start)
    step = (
        f"join it first (gemel join LAYOUT {given} ... -o IMAGE), then give the image; the build goes"
        f" after the image, as {given}"
    )
    if found != AN_ELF:
        step = "give the image; a build of it is an executable for an Arm core, as the linker wrote it"
    return Problem(
        "this is a build, not an image" if found == AN_ELF else "this is not an image",
        where=str(path),
        found=found,
        expected=IMAGES,
        next_step=step,
    )


def elf_words(start: bytes) -> str:
    """What ELF file begins with ``start``: ``e_type`` and ``e_machine`` of its header (gABI, "ELF Header")."""
    from gemel.builds.elf.header import ARM, MACHINES

    order: Literal["big", "little"] = "big" if start[5:6] == b"\x02" else "little"
    kind, machine = (int.from_bytes(start[at : at + 2], order) for at in (16, 18))
    if machine != ARM and len(start) >= 20:
        return f"an ELF file for {MACHINES.get(machine, f'machine {machine}')}"
    return "an ELF object file that is not linked" if kind == RELOCATABLE else AN_ELF


def format_held(start: bytes) -> str:
    """The short name of the image format that begins with ``start``; empty where nothing shows it."""
    return text_format(start) or ("bin" if b"\0" in start else "")


def _misnamed(path: FilePath, suffix: str, start: bytes) -> Problem | None:
    """What is wrong with a file of one image format under the suffix of another; None if nothing is."""
    from gemel.image.formats import FORMATS

    promised = next((each for each in FORMATS if suffix in each.suffixes), None)
    if promised is None:
        return None
    if not start:
        step = "have the file made or sent again"
        return Problem("the file is empty", where=str(path), expected=promised.name, next_step=step)
    holds = format_held(start)
    if not holds or holds == promised.short:
        return None
    found = next(each for each in FORMATS if each.short == holds)
    return Problem(
        "the content of the file does not match its name",
        where=str(path),
        found=found.name,
        expected=promised.name,
        next_step=f"name it {path.with_suffix(found.suffixes[0]).name}, or give --as {holds}",
    )


def output_that_is_no_image(path: FilePath) -> Problem | None:
    """What is wrong with an image to be written whose name is a folder's or a build's; None for any other."""
    from gemel.builds.reader import SUFFIXES

    try:
        if os.path.isdir(path):
            return Problem(
                "the output is a folder",
                where=str(path),
                found="a folder",
                expected=IMAGES,
                next_step="add a file's name",
            )
    except (OSError, ValueError):
        return None
    if SUFFIXES.get(path.suffix.lower()) != "elf":
        return None
    return Problem(
        "this names a build, not an image",
        where=str(path),
        found=path.suffix,
        expected=IMAGES,
        next_step=f"name it {path.with_suffix('.hex').name}, {path.with_suffix('.srec').name} or the like",
    )
