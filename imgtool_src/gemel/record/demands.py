"""What a receiver's policy demands of a record, and whether the record meets it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from gemel.outcomes import Finding, Holds, Outcome
from gemel.placement.placed import identities_of
from gemel.policy.model import Policy
from gemel.policy.reader import ReadPolicy
from gemel.record.record import Record

if TYPE_CHECKING:
    from gemel.layout.reader import ReadLayout

RULE = "image-fits-policy"
"""The rule that these outcomes are of."""

IDENTITY = ("product", "vendor id", "class id", "layout")
"""What says for which device an image is: what comes later follows from what comes before."""


def policy_outcomes(
    read: ReadPolicy, record: Record | None, where: str, area: str, layout: ReadLayout
) -> Iterator[Outcome]:
    """One outcome for each demand; a finding where there is one and no sound record to meet it.

    ``layout`` is the one of the check, whose file's digest may have been taken for its own.
    """
    demanded, lowest = list(_demanded(read.policy)), read.policy.rollback_at_least
    if record is None:
        names = [what for what, _ in demanded] + (["rollback counter"] if lowest is not None else [])
        if names:
            yield Finding(
                "nothing says whether the image fits the policy",
                (area, "policy"),
                where=where,
                found="no sound record",
                follows_from=(("record-sound", area),),
                expected=f"a record with {', '.join(names)} ({read.name})",
            )
        return
    for what, expected in demanded:
        found = _found(record, what)
        if found in expected:
            yield Holds(f"{what} {found}")
        else:
            text = {"class id": read.policy.product_class, "vendor id": read.policy.vendor}.get(what)
            named = f' ("{text}")' if text and text not in expected else ""
            of_file = what == "layout" and layout.file_sha256.hex() in expected
            taken = f"{layout.file_sha256.hex()[:16]}... is that of the file {layout.name}, not the layout's digest"
            yield Finding(
                f"the image's {what} is not one that the policy accepts",
                (area, "policy", what),
                where=where,
                found=found,
                expected=f"{' or '.join(expected[:4])}{', ...' if expected[4:] else ''}{named} ({read.name})",
                lines=(taken,) if of_file else (),
                follows_from=tuple((RULE, other) for other in IDENTITY[: IDENTITY.index(what)]),
                next_step=f"demand the digest that `gemel check {layout.name}` prints: {layout.digest.hex()}"
                if of_file
                else "",
            )
    if lowest is None:
        return
    if record.rollback >= lowest:
        yield Holds(f"rollback counter {record.rollback}, at least {lowest}")
    else:
        yield Finding(
            "the image is older than the policy accepts: its rollback counter is lower",
            (area, "policy", "rollback"),
            where=where,
            found=str(record.rollback),
            expected=f"{lowest} or more ({read.name})",
        )


def _demanded(policy: Policy) -> Iterator[tuple[str, tuple[str, ...]]]:
    """What must be one of these values."""
    vendor, product_class = identities_of(policy)
    if policy.product is not None:
        yield "product", (policy.product,)
    if vendor is not None:
        yield "vendor id", (str(vendor),)
    if product_class is not None:
        yield "class id", (str(product_class),)
    if policy.layout_sha256:
        yield "layout", policy.layout_sha256


def _found(record: Record, what: str) -> str:
    value = {
        "product": record.product,
        "vendor id": record.vendor_id,
        "class id": record.class_id,
        "layout": record.layout_sha256.hex(),
    }[what]
    return "none" if value is None else str(value)
