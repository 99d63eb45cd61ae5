"""Kinds of command-line values that several commands take."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

from gemel.cli.declared import Choice, Converted, FileName, option
from gemel.errors import Problem, UsageProblem

FILE = FileName()
"""A file's name.  Whether it can be read is said where it is read, with the system's reason."""

disassemble_option = option(
    "--disassemble/--no-disassemble",
    default=True,
    help="Read the code instruction by instruction for those that its core lacks; --no-disassemble saves the"
    " time.  [default: read, where the extra 'disassemble' is installed]",
)
"""Whether code is read; the rules that do it report the missing extra as not checked."""

date_option = option(
    "--date",
    "date_text",
    metavar="YYYY-MM-DD",
    help="Date that waivers end by; else the machine's. The report names it.",
)
"""The date of a check; no variable of the environment sets it."""

paths_outside_option = option(
    "--paths-outside",
    is_flag=True,
    help="Follow the layout's paths out of its folder too.",
)
"""Whether a layout may name files anywhere; one that came from others may not."""

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
        step = f"write 0x{value}" if re.fullmatch("[0-9A-Fa-f]{1,8}", value) else ""
        shown = value if len(value) <= MAX_SHOWN else f"{value[: MAX_SHOWN - 3]}..."
        raise UsageProblem(
            Problem(
                "not an address",
                where="--at",
                found=shown,
                expected="0x0000_0000 to 0xFFFF_FFFF",
                next_step=step,
            )
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

at_option = option(
    "--at", kind=ADDRESS, help="Where a raw binary goes; else the start of the layout's first flash."
)
several_at_option = option(
    "--at",
    "starts",
    kind=ADDRESS,
    multiple=True,
    help="Where a raw binary goes; else the start of the layout's first flash. Of several files of a dump one each.",
)
from_device_option = option(
    "--from-device",
    is_flag=True,
    help="The image is a dump of a device: what the device writes itself is set aside.",
)
as_option = option(
    "--as",
    "as_form",
    kind=Choice(["hex", "srec", "bin"]),
    help="Format of an image on standard input or output (-), or whose suffix names none.",
)
report_option = option(
    "--report",
    "reports",
    multiple=True,
    kind=FILE,
    help="Write the result to this file too, by suffix .txt, .json, .sarif, .xml (JUnit) or .html; may be repeated.",
)
strict_option = option(
    "--strict",
    kind=Choice(["warnings", "inputs"]),
    implied="warnings",
    metavar="[=inputs]",
    help="Fail on warnings too; with =inputs also where a build, key or symbol is missing to check a rule.",
)
quiet_option = option(
    "-q",
    "--quiet",
    is_flag=True,
    help="Print nothing where all holds: findings and errors only.",
)


LINES_MEANT = " lines: FILE:LINE: severity: what [name], one line a finding, for editors."


def form_option(*forms: str) -> Callable[[Any], Any]:
    """Which form the result has on stdout."""
    return option(
        "--format",
        "form",
        kind=Choice(forms),
        default=forms[0],
        help="Form of the result on stdout." + (LINES_MEANT if "lines" in forms else ""),
    )
