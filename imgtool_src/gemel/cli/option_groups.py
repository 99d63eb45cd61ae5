"""The headings that a command's help has its options under: one place for all commands."""

from __future__ import annotations

GENERAL = "General"
GROUPS: dict[str, tuple[str, ...]] = {
    "Input": (
        *(
            "--layout",
            "--layouts",
            "--no-layout",
            "--paths-outside",
            "--old-layout",
            "--joined-with",
            "--release",
        ),
        *("--at", "--as", "--from-device", "--image", "--list", "--map", "--svd", "--symbols", "--build-id"),
    ),
    "Version and counter": ("--version", "--rollback"),
    "Keys and signatures": (
        *("--key", "--pass-phrase-file", "--pass-phrase-env", "--no-pass-phrase", "--weak-pass-phrase"),
        *("--key-open-to-others", "--leave-unsealed", "--public", "--to-be-signed", "--signature"),
        *("--add", "--more-to-come"),
    ),
    "Required of the image": ("--trust", "--policy", "--at-least", "--previous"),
    "Checks": (
        *("--disassemble", "--rehearse", "--read-back", "--date", "--strict", "--jobs"),
        *("--budget", "--watch", "--interleavings"),
    ),
    "Index of images": ("--index", "--blocks", "--again", "--find"),
    "Documents": ("--sbom", "--vex", "--builder"),
    "Result": (
        *("--output", "--force", "--memory", "--memory-files", "--dry-run", "--core"),
        *("--format", "--report", "--all", "--quiet"),
    ),
    GENERAL: ("--color", "--verbose", "--help"),
}
"""Each heading with its options, by their long words, in the order of the help."""


def group_of(words: tuple[str, ...]) -> str:
    """The heading of an option by its words; StopIteration cannot happen: a test holds every option to the table."""
    return next(heading for heading, options in GROUPS.items() if not set(words).isdisjoint(options))
