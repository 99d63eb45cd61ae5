"""A rehearsal as JSON."""

from __future__ import annotations

import hashlib
from typing import Annotated, Any, Literal

from gemel.checking.identity import Identity
from gemel.rehearsal.limits import CAUTION
from gemel.rehearsal.result import (
    CoreSummary,
    GoalResult,
    Happening,
    RegisterUse,
    Rehearsal,
    RehearsalFinding,
    RehearsalOutcome,
)
from gemel.structs import Struct
from gemel.text.as_json import data_of, json_text

FORMAT: Literal[2] = 2
"""Version of the form.  2: ``identity`` replaces ``tool``, ``product`` and ``image``."""


class RehearsalReport(Struct, kw_only=True):
    """What happened when both cores started from the image's own bytes."""

    format: Annotated[Literal[2], "version of this form"] = FORMAT
    identity: Annotated[Identity, "what was rehearsed, and by what"]
    passes: Annotated[bool, "there is no finding of severity error"]
    outcome: Annotated[
        RehearsalOutcome, "started: there is no goal; no verdict: a core could not be followed to its end"
    ]
    ended: Annotated[str, "why it ended, in words"]
    budget: Annotated[int, "instructions that it may take"]
    time: Annotated[int, "instructions from the primary's reset, of all cores together"]
    executed: Annotated[int, "instructions of all cores that were counted"]
    findings: Annotated[tuple[RehearsalFinding, ...], "what went wrong, or someone has to decide about"]
    events: Annotated[tuple[Happening, ...], "the timeline"]
    cores: Annotated[tuple[CoreSummary, ...], "how each core ended"]
    serial: Annotated[dict[str, str], "text by the register that it was written to"]
    goals: Annotated[tuple[GoalResult, ...], "the layout's goals"]
    registers: Annotated[tuple[RegisterUse, ...], "device registers that were used"]
    shared_memory_sha256: Annotated[
        dict[str, str], "SHA-256 of each shared area at the end, of its first 64 KiB"
    ]
    notes: Annotated[tuple[str, ...], "what is to be known of this rehearsal"]
    not_modelled: Annotated[tuple[str, ...], "what the emulated device leaves out"]
    caution: Annotated[str, "what a pass does not mean"] = CAUTION


def report(rehearsal: Rehearsal, identity: Identity) -> str:
    """The report as JSON text: the same inputs give the same bytes."""
    return json_text(report_data(rehearsal, identity))


def report_data(rehearsal: Rehearsal, identity: Identity) -> dict[str, Any]:
    """The report as plain data, as the schema of `RehearsalReport` describes it."""
    shared = rehearsal.shared_memory.items()
    data: dict[str, Any] = data_of(
        RehearsalReport(
            identity=identity,
            passes=rehearsal.passes,
            outcome=rehearsal.outcome,
            ended=rehearsal.ended,
            budget=rehearsal.budget,
            time=rehearsal.time,
            executed=rehearsal.executed,
            findings=rehearsal.findings,
            events=rehearsal.events,
            cores=rehearsal.cores,
            serial=rehearsal.texts,
            goals=rehearsal.goals,
            registers=rehearsal.registers,
            shared_memory_sha256={area: hashlib.sha256(held).hexdigest() for area, held in shared},
            notes=rehearsal.notes,
            not_modelled=rehearsal.not_modelled,
        )
    )
    return data
