"""Rule ``image-fits-policy``: the record says what the receiver's own policy demands."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.outcomes import Need, NotChecked, Outcome, Reason


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each thing that the policy demands of the record."""
    read = inspection.receiver.policy
    if read is None:
        yield NotChecked("", Reason("needs --policy", Need("option", "--policy")))
        return
    from gemel.record.demands import policy_outcomes

    plan = inspection.layout.record
    where = f"record in area {plan.area}" if plan else "the layout has no record"
    area = plan.area if plan else "record"
    yield from policy_outcomes(read, inspection.record, where, area, inspection.read)


RULE = Rule(
    name="image-fits-policy",
    severity="error",
    guards="image",
    checks="The record's product, vendor, class, layout digest and rollback counter are those that the "
    "receiver's policy (--policy) demands, where it demands any.",
    why="The layout comes from the team that sent the image, and says that its own product, its own counter and "
    "its own memory map are right: an image for another device, or an old one, passes by that layout.",
    remedy="Get the image that is meant for this device, or correct the policy.",
    source="RFC 9124 sections 3.3 and 3.4, vendor and class id; section 4.3.1, REQ.SEC.SEQUENCE (draft 13 "
    "read); common practice",
    absent="the policy demands nothing of the record",
    check=check,
)
