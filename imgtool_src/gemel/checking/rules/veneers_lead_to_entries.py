"""Rule ``veneers-lead-to-entries``: each gateway opens with SG and branches to its own function."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.builds.build import Build
from gemel.checking.findings.build_evidence import of_each_build
from gemel.checking.rule import Rule
from gemel.inspection.cores.secure_builds import GATEWAY, SECURE, VENEER_SIZE, Gateway, builds_of, gateways_of
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import concerned, counted, found_or_holds
from gemel.layout.model import BuildPlan
from gemel.outcomes import Finding, Outcome
from gemel.spans import Span, format_address


@of_each_build("symbols", lambda inspection: builds_of(inspection.layout, *SECURE))
def check(inspection: Inspection, plan: BuildPlan, build: Build) -> Iterator[Outcome]:
    """One outcome for each secure build that offers functions, or one finding for each gateway."""
    if offered := gateways_of(build):
        where = f"build {plan.name}, {counted(len(offered), 'gateway')}"
        yield from found_or_holds(_findings(plan, build, offered), where)


def _findings(plan: BuildPlan, build: Build, offered: list[Gateway]) -> Iterator[Finding]:
    for gateway in offered:
        parties = concerned(plan.name, plan.core)
        where = f"build {plan.name} ({build.file}), function {gateway.name}"
        entry = f"__acle_se_{gateway.name} at {format_address(gateway.entry)}"
        if gateway.address is None:
            what = f"the function {gateway.name} has no gateway"
            found = f"{entry} alone"
            yield Finding(
                what, parties, where=where, found=found, expected=f"a gateway at the symbol {gateway.name}"
            )
            continue
        data = build.read_at_run(gateway.address, VENEER_SIZE)
        span = Span(gateway.address, VENEER_SIZE)
        if data is None or not data.startswith(GATEWAY):
            what = f"the gateway of {gateway.name} does not open with SG"
            found = f"{_spaced(data)} at {format_address(gateway.address)}"
            yield Finding(
                what, parties, where=where, found=found, expected=f"{_spaced(GATEWAY)} (SG)", span=span
            )
            continue
        target = _target(data[4:], gateway.address + 4)
        if target != gateway.entry:
            what = f"the gateway of {gateway.name} does not lead to it"
            found = _branch_words(build, target, data[4:])
            yield Finding(
                what, parties, where=where, found=found, expected=f"a branch (B.W) to {entry}", span=span
            )


def _target(data: bytes, address: int) -> int | None:
    """Where the B.W in ``data`` leads (encoding T4); None if it is none."""
    first, second = int.from_bytes(data[:2], "little"), int.from_bytes(data[2:], "little")
    if first & 0xF800 != 0xF000 or second & 0xD000 != 0x9000:
        return None
    from gemel.m_profile.instructions.halfwords import call_distance

    return address + 4 + call_distance(first, second)


def _branch_words(build: Build, target: int | None, data: bytes) -> str:
    if target is None:
        return f"{_spaced(data)} after SG, which is no B.W"
    found = build.function_at(target)
    offset = f" + {found[1]}" if found and found[1] else ""
    function = f" ({found[0].name}{offset})" if found else ""
    return f"a branch to {format_address(target)}{function}"


def _spaced(data: bytes | None) -> str:
    return data.hex(" ") if data else "nothing stored"


RULE = Rule(
    name="veneers-lead-to-entries",
    severity="error",
    guards="device",
    checks="Each function that a secure build offers has a gateway, which is SG followed by a branch to "
    "that very function.",
    why="Without SG the call from non-secure code faults. With a branch to an old address, as when veneers "
    "are kept over a release and the code that they lead to moves, it runs in the middle of some other secure "
    "function.",
    remedy="Link the secure build again so that the linker makes the veneers; let --in-implib keep their "
    "addresses where these must not move.",
    source='CMSE 1.4, chapter "CMSE support", requirements 9 and 43 to 45, secure gateway veneers; '
    "encoding of B.W: Armv8-M architecture reference manual (from memory)",
    absent="the layout states no secure area, or no secure build offers functions (symbols __acle_se_...)",
    check=check,
    only_with="security",
)
