"""The words of a command line that are no options: ``[LAYOUT] IMAGE [NAME=BUILD]...``, the same for every command."""

from __future__ import annotations

import os
import re
from collections.abc import Sequence

from gemel.errors import GemelError, Problem, UsageProblem
from gemel.files.contents import ELF_START, text_format
from gemel.files.paths import FilePath
from gemel.structs import NamedTuple, replace
from gemel.text.escaping import in_shell

SUFFIX = ".toml"
OWN = FilePath("gemel.toml")
"""The layout of the folder, where no other is named."""

STDIN = "-"

TABLE = re.compile(rb"^\[memory\.", re.MULTILINE)
"""What a layout has near its start, and no other file in TOML."""

IN_COMMAND = re.compile(r"(\bgemel [a-z]+) LAYOUT\b")
"""Where the next steps of problems have a command with its layout."""

MAX_FILES = 16
"""Files of one dump."""

PEM = b"-----BEGIN "
STRICT = ("inputs", "warnings")
"""Values of ``--strict``, which stand after an equals sign: it has none, too."""

ELF_SUFFIXES = (".elf", ".axf", ".out", ".o", ".a")


class Given(NamedTuple):
    """The layout's file (None: none is named, and the folder has none), the images and the builds, as given.

    ``usage`` is how these are written.
    """

    layout: FilePath | None
    images: tuple[FilePath, ...]
    builds: tuple[str, ...]
    usage: str


def _is_build(word: str) -> bool:
    """Whether it begins with a name (checked against the layout later) and an equals sign."""
    name, sign, _ = word.partition("=")
    return bool(sign) and not {"/", "\\", "."}.intersection(name)


def layout_among(words: Sequence[str]) -> tuple[FilePath | None, list[str]]:
    """The layout's file, which ends in .toml, and the other words; the folder's own if none is named.

    Raises UsageProblem for several layouts.
    """
    layouts = [word for word in words if word.lower().endswith(SUFFIX)]
    if len(layouts) > 1:
        raise UsageProblem(
            "several layouts", found=", ".join(layouts), expected="one", next_step="leave out all but one"
        )
    rest = [word for word in words if word not in layouts]
    if layouts:
        return FilePath(layouts[0]), rest
    return OWN if os.path.isfile(OWN) else None, rest


def given(words: Sequence[str], usage: str, least: int = 1, most: int = 1, own: bool = True) -> Given:
    """The layout, ``least`` to ``most`` images, and the builds among ``words``; ``usage`` is how they are written.

    Where no layout is named the folder's own is it, if ``own`` allows that.  Raises UsageProblem where words are
    missing, too many or in another order, each with the line that was probably meant.
    """
    if torn := _torn_build(words):
        raise UsageProblem(torn)
    builds = [word for word in words if _is_build(word) and not os.path.exists(word)]
    if folder := next((word for word in words if most and os.path.isdir(word)), None):
        from gemel.workflows.inputs.not_images import a_folder

        raise UsageProblem(a_folder(FilePath(folder)))
    files = [word for word in words if word not in builds]
    refuse_standard_input_twice(files)
    if misplaced := next(filter(None, map(_misplaced, files)), None):
        raise UsageProblem(misplaced)
    layouts = [word for word in files if _is_layout(word)]
    if len(layouts) == 1 and files[0] != layouts[0]:
        order = in_shell(layouts[0], *(word for word in files if word != layouts[0]), *builds)
        found = " ".join(files)
        raise UsageProblem("the layout comes first", found=found, expected=usage, next_step=f"write: {order}")
    if files and is_elf(files[0]) and not layouts:
        if own and len(files) > most and os.path.isfile(OWN):
            raise UsageProblem(_without_names(files, builds))
        raise UsageProblem(_elf_in_place(files[0], len(files) > most))
    layout = (
        FilePath(files[0]) if layouts or (len(files) > most and not (most and _is_image(files[0]))) else None
    )
    images = files[1:] if layout else files
    if not least <= len(images) <= most:
        raise UsageProblem(_wrong_number(images, usage, most))
    if layout is None and own and os.path.isfile(OWN):
        layout = OWN
    return Given(layout, tuple(map(FilePath, images)), tuple(builds), usage)


def with_layout(error: GemelError, files: Sequence[str | None]) -> GemelError:
    """``error`` with the layout for LAYOUT in the commands of its next steps.

    It is the one among ``files``, else the folder's own, else the only one there.
    """
    if not any(IN_COMMAND.search(each.next_step) for each in error.problems):
        return error
    words = [file for file in files if file]
    layout = next((word for word in (*words, str(OWN)) if TABLE.search(_start_of(word))), "")
    if not layout and len(here := layouts_here()) == 1:
        layout = here[0]
    if not layout:
        return error
    named = in_shell(layout)
    return type(error)(
        [
            replace(each, next_step=IN_COMMAND.sub(lambda found: f"{found[1]} {named}", each.next_step))
            for each in error.problems
        ]
    )


def _torn_build(words: Sequence[str]) -> Problem | None:
    """What is wrong with a NAME=BUILD of which a part is a word of its own; None where there is none."""
    for at, word in enumerate(words):
        if not (word.startswith("=") or word.endswith("=")) or os.path.exists(word):
            continue
        before = words[max(at - 1, 0) : at] if word.startswith("=") else ()
        after = words[at + 1 : at + 2] if word.endswith("=") else ()
        parts = [*before, word, *after]
        whole = "".join(parts)
        if len(parts) > 1 and not (whole.startswith("=") or whole.endswith("=")):
            what, step = "a build is one word, with no space around =", f"write: {in_shell(whole)}"
            return Problem(what, found=" ".join(parts), expected="NAME=BUILD", next_step=step)
    return None


def refuse_standard_input_twice(files: Sequence[str]) -> None:
    """Raise UsageProblem where - stands for two of the ``files``: it can be read once only."""
    if files.count(STDIN) > 1:
        step = "give - once, and a file for the other"
        raise UsageProblem("standard input is given twice", found=" ".join(files), next_step=step)


def _misplaced(word: str) -> Problem | None:
    """What is wrong with a word that is the value of an option; None where it may be a file."""
    if word in STRICT and not os.path.exists(word):
        return Problem("--strict takes its value after '='", found=word, next_step=f"write: --strict={word}")
    if not _start_of(word).startswith(PEM):
        return None
    step = f"give a public key with --trust {in_shell(word)}, a private one with --key {in_shell(word)}"
    return Problem("this is a key, not a layout or an image", found=word, next_step=step)


def refuse_without_image(found: Given, asked: Sequence[object]) -> None:
    """Raise UsageProblem where no image is given although what is ``asked`` (None: it is not) is about one."""
    if found.layout is None or any(each is not None for each in asked):
        raise UsageProblem(_wrong_number([], found.usage, 1))


def layout_of(found: Given) -> FilePath:
    """The layout's file; raises UsageProblem where there is none."""
    if found.layout is None:
        raise UsageProblem(no_layout(found.usage, found.images))
    return found.layout


def no_layout(usage: str, images: Sequence[FilePath] = ()) -> Problem:
    """What is said where no layout is named: what the folder has in place of its own, or other layouts."""
    if os.path.lexists(OWN):
        from gemel.files.output_targets import kind_of

        kind = (
            (kind_of(os.stat(OWN).st_mode) or "not a plain file")
            if os.path.exists(OWN)
            else "a link to no file"
        )
        step = "put a plain file there, or name the layout first"
        return Problem(
            "the layout is not a plain file", where=str(OWN), found=kind, expected="a file", next_step=step
        )
    names = layouts_here()
    found = f"no {OWN} here" + (f", but {', '.join(names)}" if names else "")
    image = in_shell(*map(str, images)) if images else "IMAGE"
    step = (
        f"name the layout first: {usage.replace('[LAYOUT]', in_shell(names[0])).replace('IMAGE', image)}"
        if names
        else f"name the layout first, or run this in a folder with {OWN}; gemel draft writes a first one"
    )
    if "IMAGE" in usage:
        step += (
            f"; without a layout, gemel show {image} shows what the file says, with --trust PUBKEY also whether that "
            f"key's seal holds, and gemel check --policy FILE {image} checks record and seal"
        )
    if release := next(
        (each.parent for each in images if os.path.isfile(each.parent / "release.json")), None
    ):
        folder = in_shell(release)
        step = f"gemel check --release {folder} checks the folder of gemel release that it is in; or name a layout"
    return Problem("no layout", found=found, expected=usage, next_step=step)


def layouts_here() -> list[str]:
    """The names of the layouts in the folder, the first few."""
    from glob import glob
    from itertools import islice

    names = sorted(glob(f"*{SUFFIX}", include_hidden=True))
    return list(islice((name for name in names if TABLE.search(_start_of(name))), 4))


def _start_of(word: str) -> bytes:
    """The first bytes of a file; nothing of what is no plain file."""
    try:
        path = FilePath(word)
        if not os.path.isfile(path):
            return b""
        with open(path, "rb") as file:
            return file.read(4096)
    except (OSError, ValueError):
        return b""


def _is_layout(word: str) -> bool:
    """Whether a word names a layout: by its suffix, else by a first line of TOML in the file."""
    if word.lower().endswith(SUFFIX):
        return True
    lines = [line.strip() for line in _start_of(word).splitlines()]
    first = next((line for line in lines if line and not line.startswith(b"#")), b"")
    return bool(re.match(rb"\[[\w.\"-]+\]$|(format|product|version)\s*=", first))


def is_elf(word: str) -> bool:
    """Whether a word names an ELF file: by its first bytes, else by its suffix."""
    start = _start_of(word)
    return start.startswith(ELF_START) or (not start and word.lower().endswith(ELF_SUFFIXES))


def _is_image(word: str) -> bool:
    return bool(text_format(_start_of(word))) or word.lower().endswith(".bin")


def named(word: str) -> str:
    """A build's file as it is typed, with a name made of the file's: ``main=main.elf``."""
    return in_shell(f"{re.sub(r'[^A-Za-z0-9_-]', '-', FilePath(word).stem)}={word}")


def _elf_in_place(word: str, as_layout: bool) -> Problem:
    from gemel.workflows.inputs.not_images import AN_ELF, elf_words, refuse_no_image

    given = named(word)
    start = _start_of(word)
    if start and not as_layout and elf_words(start) != AN_ELF:
        refuse_no_image(FilePath(word))
    if as_layout:
        what, expected = "this is a build, not a layout", "a layout (.toml)"
        step = f"draft a layout from the builds first: gemel draft {given} ... -o gemel.toml"
    else:
        what, expected = "this is a build, not an image", "an image: .hex, .srec or .bin"
        step = (
            f"join it first (gemel join LAYOUT {given} ... -o IMAGE), then give the image; without a layout"
            f" draft one: gemel draft {given} ... -o gemel.toml"
        )
    return Problem(what, where=word, found=AN_ELF, expected=expected, next_step=step)


def _without_names(files: Sequence[str], builds: Sequence[str]) -> Problem:
    """What is said where ELF files are given as they are, and the folder's own layout is meant."""
    from gemel.workflows.inputs.not_images import AN_ELF

    elf = [word for word in files if is_elf(word)]
    order = " ".join(
        [*(in_shell(word) for word in files if word not in elf), *map(named, elf), *map(in_shell, builds)]
    )
    step = f"write: {order}, each with the build's name in {OWN}"
    return Problem(
        "a build without its name", where=elf[0], found=AN_ELF, expected="NAME=BUILD", next_step=step
    )


def _wrong_number(images: Sequence[str], usage: str, most: int) -> Problem:
    if len(images) > most:
        surplus = images[most] if most else images[0]
        builds = " ".join(named(word) for word in images if is_elf(word))
        step = f"a build is given with its name: {builds or f'NAME=FILE, here NAME={in_shell(surplus)}'}"
        file, sign, name = surplus.partition("=")
        if sign and os.path.isfile(file):
            step = f"the name comes first: {in_shell(f'{name}={file}')}"
        elif not builds and most == 1:
            step += f"; gemel compare {in_shell(*images[:2])} compares two images, gemel audit checks many"
        if surplus.lower().endswith(SUFFIX):
            step = f"a policy is given with --policy {in_shell(surplus)}"
        return Problem("one file too many", found=surplus, expected=usage, next_step=step)
    step = "give the image; gemel check LAYOUT alone checks the layout"
    return Problem("missing argument IMAGE", found=" ".join(images) or "none", expected=usage, next_step=step)
