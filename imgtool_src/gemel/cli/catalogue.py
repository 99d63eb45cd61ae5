"""The sub-commands by name, each with the first sentence of its help; a command's module is loaded when it is used."""

from __future__ import annotations

import importlib

TYPE_CHECKING = False
if TYPE_CHECKING:
    from gemel.cli.declared import Command

COMMANDS = {
    "demo": "Join, check, show and rehearse the built-in tide gauge, and two mistakes being caught.",
    "draft": "Draft a first layout from the builds, from an image with its record, or from both.",
    "join": "Join the builds of a layout into one flash image.",
    "sign": "Seal an image that was joined before.",
    "check": "Check an image against its layout, with the builds if they are given.",
    "show": "Show what is in an image.",
    "audit": "Check many images, and find among those that were checked before.",
    "compare": "Compare two images: what changed, and what must be programmed.",
    "split": "Take an image apart: one HEX and one raw binary a build.",
    "where": "Look up addresses and symbols as each core sees them.",
    "release": "Make the folder that is shipped: images, layout, keys, reports, SBOM, provenance, digests.",
    "rehearse": "Run the reset code of both cores from an image in an emulated device, "
    "and say what happened.",
    "keys": "Make and show the keys that images are sealed with.",
    "export": "Write out what both teams need from a layout or from gemel.",
    "explain": "Explain the rules, one rule, or a format.",
}
"""Each sub-command and the first sentence of its help; its module is ``gemel.cli.commands.NAME``."""

TOPICS = {
    "record": "the record's format, byte by byte",
    "seal": "the seal's format, its algorithms, what it promises and what it does not",
    "layout": "every key of the layout language",
    "release": "the release folder, what proves it, and the SUIT envelope",
    "policy": "every key of a receiver's policy",
    "rehearsal": "what a rehearsal does not model",
    "ci": "a job for a CI server, hooks for pre-commit, make and CMake",
    "examples": "every command with what it prints, on the demo's files",
    "python": "what scripts and tests use, and how to add rules of your own",
}
"""The pages of ``gemel explain`` besides those of rules, and what each has."""

HELP = """Join the builds of a two-core microcontroller into one flash image, prove it, and show it.

\b
Example:
  gemel demo tide-gauge
"""
"""What ``gemel --help`` begins with; the mark before the example keeps its lines as they are."""

OPTIONS = {
    "--version": "Show the version and exit.",
    "-v, --verbose": "Show the cause of an error.",
    "-h, --help": "Show this message and exit.",
}
"""The options before a command, as the help lists them."""

EPILOG = (
    "A passing check is evidence, not a safety approval. A wrong image can brick hardware or make it unsafe. "
    "Exit codes: 0 all holds; 1 a rule is broken; 2 the work could not be done."
)


def loaded(name: str) -> Command:
    """The command of that name, imported now."""
    command: Command = importlib.import_module(f"gemel.cli.commands.{name}").command
    return command
