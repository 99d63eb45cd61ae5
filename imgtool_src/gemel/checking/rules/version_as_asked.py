"""Rule ``version-as-asked``: the record's version and rollback counter are the ones requested."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.findings.build_evidence import of_record
from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.layout.model import RecordPlan
from gemel.outcomes import Finding, Holds, Need, NotChecked, Outcome, Reason
from gemel.placement.placed import Version
from gemel.record.record import Record
from gemel.structs import NamedTuple


@of_record
def check(inspection: Inspection, plan: RecordPlan, record: Record) -> Iterator[Outcome]:
    """Version and rollback counter against the command line or the layout: an outcome each, one finding of both."""
    others: list[_Other] = []
    asked = inspection.version or (
        Version.of(inspection.layout.version) if inspection.layout.version else None
    )
    if asked is None:
        yield NotChecked("version", _needs("--version", "the layout states no version"))
    elif record.version == str(asked):
        yield Holds(f"version {asked}")
    elif inspection.version is None and not inspection.as_layout_states:
        found = f"the image holds {record.version}, the layout states {asked}"
        yield NotChecked("version", _needs("--version", found))
    else:
        others.append(
            _Other("version", "version", record.version, str(asked), inspection.version is not None)
        )
    counter = inspection.rollback
    if counter is None and not inspection.as_layout_states:
        yield _by_layout(inspection.layout.rollback, record.rollback, plan.area)
    else:
        due = inspection.layout.rollback if counter is None else counter
        if record.rollback == due:
            yield Holds(f"rollback counter {due}")
        else:
            found = str(record.rollback)
            others.append(_Other("rollback", "rollback counter", found, str(due), counter is not None))
    if others:
        yield _another(plan.area, others)


class _Other(NamedTuple):
    """A version or counter that is another than the one ``given`` with an option, or than the layout's."""

    part: str
    words: str
    found: str
    due: str
    given: bool

    @property
    def expected(self) -> str:
        return f"{self.due} ({f'--{self.part}' if self.given else 'layout'})"


def _another(area: str, others: list[_Other]) -> Finding:
    first, *more = others
    wrong = [f"--{each.part}" for each in others if each.given]
    other = [f"--{each.part} {each.found}" for each in others if not each.given]
    steps = [
        *([f"correct {' and '.join(wrong)}"] if wrong else []),
        *([f"give {' '.join(other)} if this one is meant"] if other else []),
    ]
    return Finding(
        f"the image holds another {' and '.join([each.words for each in others])}",
        (area, first.part),
        where=_where(area),
        found=", ".join([first.found, *[f"{each.words} {each.found}" for each in more]]),
        expected=", ".join([first.expected, *[f"{each.words} {each.expected}" for each in more]]),
        next_step=f"take the image that is meant, or {' and '.join(steps)}",
        follows_from=(
            ("record-of-this-layout", "product"),
            *([] if wrong else [("record-of-this-layout", "layout")]),  # which states its version
        ),
    )


def _where(area: str) -> str:
    return f"record in area {area}"


def _by_layout(least: int, found: int, area: str) -> Outcome:
    """The counter where none was requested: the layout states the least that it may be."""
    if found == least:
        return Holds(f"rollback counter {found}")
    if found > least:
        return NotChecked(
            "rollback counter", _needs("--rollback", f"the image holds {found}, the layout {least}")
        )
    return Finding(
        "the image is older than its layout: its rollback counter is lower",
        (area, "rollback"),
        where=_where(area),
        found=str(found),
        expected=f"{least} or more (layout)",
        next_step=f"take a newer image, or give --rollback {found} if this older one is meant",
        follows_from=(("record-of-this-layout", "product"), ("rollback-not-lower", "rollback")),
    )


def _needs(option: str, found: str) -> Reason:
    return Reason(f"needs {option}: {found}", Need("option", option))


RULE = Rule(
    name="version-as-asked",
    severity="error",
    guards="image",
    checks="The record's version and rollback counter are those that were required, and the counter is at least "
    "the layout's.",
    why="An old image with known faults, or a new one under an old number, reaches the device, and a device "
    "that keeps a counter refuses it in the field.",
    remedy="Give the version that is meant (--version, --rollback) or take the image of that version.",
    source="RFC 9124 section 3.2, monotonic sequence number; section 4.3.1 REQ.SEC.SEQUENCE (draft 13 read)",
    absent="the layout has no record",
    check=check,
)
