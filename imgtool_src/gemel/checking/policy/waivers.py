"""Waivers that can never cover anything: faults of the layout, to be reported when it is read."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.registry import rule_named, rule_names
from gemel.errors import nearest_hint
from gemel.layout.kinds import LayoutFault
from gemel.layout.model import Layout

OTHER_PARTIES = (
    "rest",
    "layout",
    "record",
    "version",
    "rollback",
    "product",
    "vendor id",
    "class id",
    "policy",
)
"""What findings about the record concern besides names of the layout."""

OWN_PARTIES = ("rehearsal-passes",)
"""Rules whose findings concern kinds of their own, which are not known without loading them."""


def waiver_faults(layout: Layout) -> Iterator[LayoutFault]:
    """Waivers of rules that do not exist or for places that do not; a check of ``read_layout``."""
    if not layout.rules.waive:
        return
    known = rule_names()
    places = party_names(layout)
    required = layout.seal is not None and layout.seal.required
    for index, waiver in enumerate(layout.rules.waive):
        if waiver.rule not in known:
            hint = nearest_hint(waiver.rule, known) or "gemel explain lists all rules"
            path = ("rules", "waive", index, "rule")
            yield LayoutFault(
                path, "unknown rule", found=waiver.rule, expected="the name of a rule", next_step=hint
            )
        elif waiver.where not in places and waiver.rule not in OWN_PARTIES:
            hint = nearest_hint(waiver.where, places) or "name one of the parties that the finding ends with"
            path = ("rules", "waive", index, "where")
            what = "unknown area, build, core, memory, contract, stamp or checksum"
            expected = "a name that a finding of this rule concerns"
            yield LayoutFault(path, what, found=waiver.where, expected=expected, next_step=hint)
        elif required and guards_image(waiver.rule):
            yield LayoutFault(
                ("rules", "waive", index, "rule"),
                "a rule that guards the image cannot be waived where a seal is required",
                found=waiver.rule,
                expected="no such waiver",
                next_step="take the waiver out, or set required = false in [seal]",
            )


def guards_image(name: str) -> bool:
    """Whether the rule of that name guards the image: then it cannot be waived where a seal is demanded."""
    rule = rule_named(name)
    return rule is not None and rule.guards == "image"


def party_names(layout: Layout) -> list[str]:
    """Every name that a finding with this layout can concern, each once: first those of the layout."""
    from gemel.inspection.wording import copied_elsewhere

    tables = (layout.areas, layout.builds, layout.cores, layout.memories, layout.contracts)
    names = [name for table in tables for name in table]
    names += [stamp.name for stamp in layout.stamps] + [checksum.name for checksum in layout.checksums]
    names += [copied_elsewhere(build)[1] for build in layout.builds]
    return list(dict.fromkeys([*names, *OTHER_PARTIES]))
