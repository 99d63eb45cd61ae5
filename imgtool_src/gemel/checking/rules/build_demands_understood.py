"""Rule ``build-demands-understood``: a build's attributes demand nothing that cannot be judged."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.builds.build import Build
from gemel.builds.elf.attributes import BuildAttributes
from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import concerned, needs_elf
from gemel.outcomes import Finding, Holds, NotChecked, Outcome

OUTSIDE_THE_STANDARD = 2
"""From this flag of Tag_compatibility on the file keeps to a vendor's arrangement instead of the ABI."""


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each build, or one finding for each demand that is not understood."""
    for name in inspection.layout.builds:
        where = f"build {name}"
        build = inspection.builds.get(name)
        if build is None or build.attributes is None:
            yield NotChecked(where, needs_elf(name, build, "build attributes"))
            continue
        findings = list(_findings(inspection, build, build.attributes))
        yield from findings
        if not findings:
            yield Holds(where)


def _findings(inspection: Inspection, build: Build, attributes: BuildAttributes) -> Iterator[Finding]:
    parties = concerned(build.name, inspection.layout.builds[build.name].core)
    where = f"build {build.name} ({build.file}), build attributes"
    for tag in attributes.not_understood:
        value = attributes.values[tag]
        yield Finding(
            f"build {build.name} demands something that the standard does not define",
            parties,
            where=where,
            found=f"tag {tag} with the value {value}",
            expected="of the tags below 64, which must be understood, only those of ADDENDA32 2025Q4",
        )
    for flag, vendor in attributes.compatibility:
        if flag >= OUTSIDE_THE_STANDARD:
            yield Finding(
                f"build {build.name} keeps to an arrangement outside the standard",
                parties,
                where=where,
                found=f"Tag_compatibility {flag} of {vendor or 'no named vendor'}",
                expected="Tag_compatibility 0 or 1, which keep to the ABI",
            )


RULE = Rule(
    name="build-demands-understood",
    severity="error",
    guards="device",
    checks="A build's attributes hold no tag below 64 (modulo 128) that the standard does not define, and "
    "no arrangement outside it.",
    why="Such a tag stands for a demand on the core that a reader must understand. What it requires cannot be "
    "compared with the core, so the comparison of the other demands is incomplete.",
    remedy="Find out what the tag means from the toolchain's documents and waive the finding if the core "
    "has it, or build with a toolchain that keeps to the ABI.",
    source='ADDENDA32 2025Q4, sections "Coding extensibility and compatibility" and "Tag_compatibility"',
    absent="the layout has no build",
    check=check,
    of_elf=True,
)
