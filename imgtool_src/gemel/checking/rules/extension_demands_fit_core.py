"""Rule ``extension-demands-fit-core``: the extensions that a build was compiled for are ones its core has."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.builds.elf.attributes import BuildAttributes
from gemel.checking.findings.build_demands import Demand, demand_outcomes, tag_words
from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.outcomes import Outcome

UNALIGNED, DIVISION, DSP, MVE, PAC, BTI, VIRTUALIZATION = 34, 44, 46, 48, 50, 52, 68
"""Tags of ADDENDA32, "The target-related attributes"."""

AS_AN_OPTION = 2
BEYOND_NOPS = 2
SECURITY_BIT, HYPERVISOR_BIT = 1, 2


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each build, or one finding for each demand that its core does not meet."""
    return demand_outcomes(inspection, _demands, (DIVISION, DSP, MVE, PAC, BTI))


def _demands(attributes: BuildAttributes) -> Iterator[Demand]:
    if attributes.unaligned_access:
        words = f"unaligned data accesses: {tag_words(attributes, UNALIGNED)}"
        yield Demand(UNALIGNED, words, ("unaligned",))
    if attributes.division == AS_AN_OPTION:
        yield Demand(DIVISION, f"divide instructions: {tag_words(attributes, DIVISION)}", ("divide",))
    if attributes.dsp:
        yield Demand(DSP, f"DSP instructions: {tag_words(attributes, DSP)}", ("dsp",))
    if attributes.mve:
        words = f"vector instructions: {tag_words(attributes, MVE)}"
        yield Demand(MVE, words, ("mve",) if attributes.mve == 1 else ("mve-fp",))
    for tag, what in ((PAC, "pointer authentication"), (BTI, "branch targets")):
        if attributes.number(tag) == BEYOND_NOPS:
            yield Demand(tag, f"{what}: {tag_words(attributes, tag)}", ("v8.1",))
    uses = attributes.number(VIRTUALIZATION)
    if uses & SECURITY_BIT:
        yield Demand(VIRTUALIZATION, "the security extension (Tag_Virtualization_use)", ("security",))
    if uses & HYPERVISOR_BIT:
        yield Demand(VIRTUALIZATION, "the virtualization extension (Tag_Virtualization_use)", ("nobody",))


RULE = Rule(
    name="extension-demands-fit-core",
    severity="error",
    guards="device",
    checks="Each extension in a build's attributes is one that its core has: DSP, vectors, division, "
    "unaligned accesses, pointer authentication, security.",
    why="An instruction of an extension that the core lacks faults when it is reached, and so does an unaligned "
    "access on a core that does not support it. Libraries for the larger core link without a warning.",
    remedy="Compile the build with the -march= of its core (and -mno-unaligned-access where it does not support "
    "them), or correct the core's extensions in the layout if the device has them.",
    source='ADDENDA32 2025Q4, section "The target-related attributes", Tag_CPU_unaligned_access, '
    "Tag_DIV_use, Tag_DSP_extension, Tag_MVE_arch, Tag_PAC_extension, Tag_BTI_extension, "
    "Tag_Virtualization_use; that Armv6-M and Armv8-M Baseline have no unaligned accesses: from memory",
    absent="the layout has no build",
    check=check,
    of_elf=True,
)
