"""What people give in place of an image: a build, a folder; said before its suffix is held against it."""

from __future__ import annotations

from pathlib import Path

from gemel.errors import Problem, UsageProblem

ELF_START = b"\x7fELF"
IMAGES = "an image: .hex, .srec or .bin"


def refuse_no_image(path: Path) -> None:
    """Raise UsageProblem if the file ``path`` is an ELF file, whatever its suffix, or a folder."""
    try:
        if path.is_dir():
            raise UsageProblem(
                Problem("this cannot be read as a file", where=str(path), found="a folder", expected=IMAGES)
            )
        if not path.is_file():
            return  # a pipe can be read once only, and a missing file is for the reader of images to tell
        with path.open("rb") as file:
            start = file.read(len(ELF_START))
    except (OSError, ValueError):
        return
    if start == ELF_START:
        given = f"{path.stem}={path.name}"
        step = (
            f"join it first (gemel join LAYOUT {given} ... -o IMAGE), then give the image; the build goes"
            f" behind the image, as {given}"
        )
        raise UsageProblem(
            Problem(
                "this is a build, not an image",
                where=str(path),
                found="an ELF file",
                expected=IMAGES,
                next_step=step,
            )
        )


def output_that_is_no_image(path: Path) -> Problem | None:
    """What is wrong with an image to be written whose name is a folder's or a build's; None for any other."""
    from gemel.builds.reader import SUFFIXES

    try:
        if path.is_dir():
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
    step = f"name it {path.with_suffix('.hex').name}, {path.with_suffix('.srec').name} or the like"
    return Problem(
        "this names a build, not an image",
        where=str(path),
        found=path.suffix,
        expected=IMAGES,
        next_step=step,
    )
