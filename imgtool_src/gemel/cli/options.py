"""What several commands take, each declared once."""

from __future__ import annotations

import re
from typing import Any

from gemel.cli.declared import FILE, INPUT, INPUTS, Choice, Converted, IntRange, argument, option
from gemel.errors import Problem, UsageProblem

OF_AN_IMAGE = "[LAYOUT] IMAGE [NAME=BUILD]..."
"""The words of a command that is about an image."""

image_words = argument(metavar=OF_AN_IMAGE, several=True, kind=INPUTS)
layout = option("--layout", metavar="LAYOUT", kind=INPUT, help="The same as LAYOUT, for older scripts.")
everything = option("--all", is_flag=True, help="In text, list every rule and place.")

READ = "Read the code instruction by instruction for those that its core lacks"
disassemble = option(
    "--disassemble/--no-disassemble",
    default=True,
    help=f"{READ}; --no-disassemble saves the time.  [default: read, where the extra 'disassemble' is installed]",
)
"""Whether code is read; the rules that do it report the missing extra as not checked."""

date = option(
    "--date",
    metavar="YYYY-MM-DD",
    help="Date that waivers end by; else the machine's. The report names it.",
)
"""The date of a check; no variable of the environment sets it."""

paths_outside = option(
    "--paths-outside", is_flag=True, help="Follow the layout's paths out of its folder too."
)
"""Whether a layout may name files anywhere; one that came from others may not."""

INDEX = "Index of gemel audit or gemel release: "
"""What the help of ``--index`` begins with; what is done with it follows."""

COUNTER = IntRange(0, 0xFFFF_FFFF)
"""A rollback counter."""

at_least = option("--at-least", kind=COUNTER, help="Lowest rollback counter that an image may have.")
policy = option(
    "--policy", kind=INPUT, help="Require what this policy of your own says too (gemel explain policy)."
)
memories = option(
    "--memory",
    metavar="NAME=FILE",
    multiple=True,
    help="Write the whole of this flash memory too, raw, with erased bytes filled in.",
)


def images(required: bool = False, unless: str = "") -> Any:
    """``-o`` of a command that writes an image; required ``unless`` the flag of that name is given."""
    return option(
        "-o",
        "--output",
        metavar="IMAGE",
        multiple=True,
        required=required,
        unless=unless,
        kind=FILE,
        help="Image to write, by suffix .hex, .srec or .bin, or - for standard output.",
    )


def version(what: str) -> Any:
    """``--version``, which is ``what``."""
    return option("--version", metavar="X.Y.Z", help=what)


def rollback(what: str) -> Any:
    """``--rollback``, which is ``what``."""
    return option("--rollback", kind=COUNTER, help=what)


def key(what: str = "Seal", more: str = "") -> Any:
    """``--key``: what is done with it, and ``more``."""
    help = f"{what} with this private key, a file or a pkcs11: URI (a key on a token){more}."
    return option("--key", metavar="KEY", multiple=True, kind=INPUTS, help=help)


phrase_files = option(
    "--pass-phrase-file",
    multiple=True,
    kind=FILE,
    help="File that holds the pass phrase or PIN, one line; else it is prompted for on the terminal. "
    "One for all keys, or one for each key that needs one.",
)
phrase_names = option(
    "--pass-phrase-env",
    metavar="NAME",
    multiple=True,
    help="Environment variable that holds the pass phrase or PIN.",
)
open_keys = option(
    "--key-open-to-others",
    is_flag=True,
    help="Sign with key files that other users can read or change too; without it they are refused.",
)


def trust(more: str) -> Any:
    """``--trust``, with ``more`` of what it means for the command."""
    help = f"Require a seal by this public key{more}"
    return option("--trust", metavar="PUBKEY", multiple=True, kind=INPUT, help=help)


def result(more: str = "") -> Any:
    """``-o`` of a command with one result."""
    return option("-o", "--output", kind=FILE, help=f"Write the result here, not to stdout{more}.")


MAX_SHOWN = 40
"""Characters of a wrong value that are shown."""


def address(value: str) -> int:
    """A 32-bit address, written as in a layout: 0x1000_0000 or 268435456.

    Raises UsageProblem with what was found and expected.  A decimal number that could be meant in
    hexadecimal is taken as written, with a remark on stderr.
    """
    try:
        number = int(value, 0)
    except ValueError:
        number = -1
    if not 0 <= number <= 0xFFFF_FFFF:
        raise UsageProblem(
            "not an address",
            where="--at",
            found=value if len(value) <= MAX_SHOWN else f"{value[: MAX_SHOWN - 3]}...",
            expected="0x0000_0000 to 0xFFFF_FFFF",
            next_step=f"write 0x{value}" if re.fullmatch("[0-9A-Fa-f]{1,8}", value) else "",
        )
    if re.fullmatch("[0-9]{7,8}", value):
        from gemel.cli.printing import print_remarks
        from gemel.spans import format_address

        what, step = "the address is taken as a decimal number", f"write 0x{value} if that is meant"
        print_remarks(
            [Problem(what, where="--at", found=f"{value}, which is {format_address(number)}", next_step=step)]
        )
    return number


ADDRESS = Converted(address, "ADDRESS")
"""The kind of an option that takes an address."""

AT = "Where a raw binary goes; else the start of the layout's first flash."
at = option("--at", kind=ADDRESS, help=AT)
several_at = option("--at", kind=ADDRESS, multiple=True, help=f"{AT} Of several files of a dump one each.")
from_device = option(
    "--from-device",
    is_flag=True,
    help="The image is a dump of a device: what the device writes itself is set aside.",
)
as_form = option(
    "--as",
    kind=Choice(["hex", "srec", "bin"]),
    help="Format of an image on standard input or output (-), or whose suffix names none.",
)
report = option(
    "--report",
    multiple=True,
    kind=FILE,
    help="Write the result to this file too, by suffix .txt, .json, .sarif, .xml (JUnit) or .html.",
)
strict = option(
    "--strict",
    kind=Choice(["warnings", "inputs"]),
    implied="warnings",
    metavar="[=inputs]",
    help="Fail on warnings too; with =inputs also where a build, key or symbol is missing to check a rule.",
)
quiet = option(
    "-q", "--quiet", is_flag=True, help="Print nothing where no rule is broken, and no warnings either."
)


LINES_MEANT = " lines: FILE:LINE: severity: what [name], one line a finding, for editors."


def form(*forms: str) -> Any:
    """Which form the result has on stdout."""
    return option(
        "--format",
        kind=Choice(forms),
        default=forms[0],
        help="Form of the result on stdout." + (LINES_MEANT if "lines" in forms else ""),
    )
