"""One finding for one cause: what follows from another finding of a rehearsal is named by it."""

from __future__ import annotations

from collections.abc import Sequence

from gemel.rehearsal.kinds import FATAL
from gemel.rehearsal.plan import DevicePlan
from gemel.rehearsal.raw_run import RawRun
from gemel.rehearsal.result import RehearsalFinding
from gemel.rehearsal.verdict.loop_words import polls_other
from gemel.structs import replace

RELEASES = frozenset(
    {"release-without-key", "released-before-vector", "released-at-wrong-address", "copy-differs"}
)
"""Faults of a release, which are causes of what the released core does then."""

STUCK = FATAL | {"endless-loop", "waits-for-register", "stays-in-handler", "no-wake-up-source"}
"""Kinds after which a core does nothing more, such as releasing another one."""

RUNS_ON = frozenset({"write-to-other-core", "write-to-own-code"})
"""Kinds that one loop repeats at the next address, by each of its instructions where a compiler unrolled it."""

DERIVED = frozenset({"stacking", "protected-stacking"})
"""Faults of the frame of an exception, which another fault may have caused."""

NEXT = 8
"""Bytes from one store of a loop to the next one at most."""


def causes_first(
    findings: Sequence[RehearsalFinding], plan: DevicePlan, run: RawRun
) -> list[RehearsalFinding]:
    """``findings``, in order of time, without errors that follow from another one, which names them."""
    follows = _Follows(plan, run)
    led_to: dict[int, dict[str, None]] = {at: {} for at in range(len(findings))}
    causes: dict[int, int] = {}
    for at, finding in enumerate(findings):
        for cause, other in enumerate(findings):
            if cause != at and follows(finding, other, cause < at):
                causes[at] = cause
                break
    for at, cause in causes.items():
        while cause in causes:
            cause = causes[cause]
        if findings[at].what != findings[cause].what:
            led_to[cause][findings[at].what] = None
    return [
        replace(finding, found=f"{finding.found}; so {', and '.join(led_to[at])}") if led_to[at] else finding
        for at, finding in enumerate(findings)
        if at not in causes
    ]


class _Follows:
    def __init__(self, plan: DevicePlan, run: RawRun) -> None:
        self.primary = next(core.name for core in plan.cores if core.primary)
        self.about = {
            (event.time, event.core): event.words["of"] for event in run.events if "of" in event.words
        }
        self.waited = {
            event.core: event.words["waited"].split(", ")
            for event in run.events
            if event.kind == "lock-not-given-back"
        }
        self.polls = {event.core for event in run.events if event.kind == "loops" and polls_other(event)}
        self.written = {
            (event.time, event.core): event.numbers["address"]
            for event in run.events
            if event.kind in RUNS_ON
        }
        self.pushed = {
            (event.time, event.core)
            for event in run.events
            if event.kind in RUNS_ON and "pointer" in event.numbers
        }
        self.nested = {(event.time, event.core) for event in run.events if event.numbers.get("nested")}

    def __call__(self, finding: RehearsalFinding, cause: RehearsalFinding, before: bool) -> bool:
        """``before``: the cause was found first."""
        if finding.kind == "vector-after-release":
            return cause.kind == "released-before-vector"
        if finding.severity != "error" or cause.severity != "error":
            return False
        if finding.kind == "endless-loop" and cause.kind == "stays-in-handler":
            return finding.core in self.polls - {cause.core}
        if finding.kind == "endless-loop" and finding.core == self.primary and finding.core in self.polls:
            return cause.kind in ("never-released", "release-without-key")
        if finding.kind == "never-released":
            return cause.kind == "release-without-key" or (
                cause.kind in STUCK
                and cause.core == self.primary
                and not (cause.kind == "endless-loop" and self.primary in self.polls)
            )
        if cause.kind == "lock-not-given-back":
            return finding.kind in STUCK - FATAL and finding.core in self.waited[cause.core]
        if (
            finding.kind in DERIVED and finding.core == cause.core
        ):  # by the exception of the fault that is its cause
            return cause.kind in FATAL - DERIVED and 0 <= finding.time - cause.time <= 1
        if finding.kind == "stacks-overlap" and cause.kind == "below-stack-limit":
            return finding.core == cause.core
        if cause.kind == "stacks-overlap" and finding.kind in FATAL:
            return finding.core == cause.core and cause.time <= finding.time
        if not before:
            return False
        if cause.kind in RELEASES:
            return finding.core == self.about.get((cause.time, cause.core))
        if finding.core != cause.core:
            return False
        if (finding.time, finding.core) in self.pushed and (
            cause.kind == "below-stack-limit" or (cause.time, cause.core) in self.pushed
        ):
            return True
        if finding.kind in RUNS_ON and finding.what == cause.what and finding.calls == cause.calls:
            apart = self.written[finding.time, finding.core] - self.written[cause.time, cause.core]
            return 0 < apart <= NEXT
        if cause.kind == "below-stack-limit" and finding.kind in STUCK | {cause.kind}:
            return finding.kind in STUCK or finding.what == cause.what
        return cause.kind in FATAL and (
            finding.kind == "no-idle-state" or (finding.time, finding.core) in self.nested
        )
