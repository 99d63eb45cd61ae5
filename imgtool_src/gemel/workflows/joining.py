"""Joining and checking in one go, for the commands that do it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from gemel.errors import BuildError, Problem
from gemel.image.image import Image
from gemel.layout.model import Layout
from gemel.layout.reader import ReadLayout
from gemel.spans import format_address
from gemel.structs import NamedTuple
from gemel.workflows.inputs.values import version_of

if TYPE_CHECKING:
    from gemel.builds.build import Build
    from gemel.placement.placed import PlacedBuild, Version
    from gemel.policy.reader import ReadPolicy
    from gemel.record.record import Record
    from gemel.seals.keys.keys import Signer
    from gemel.seals.seal import Seal
    from gemel.workflows.checking import CheckResult
    from gemel.workflows.sealing import SignerSource
    from gemel.workflows.trust import Trust


class JoinResult(NamedTuple):
    """A joined image, where each build is stored in it, and the record if the layout requires one."""

    image: Image
    placed: Mapping[str, PlacedBuild]
    record: Record | None


class CheckedJoin(NamedTuple):
    """A joined image with the result of its check, and its seal, if it got one."""

    joined: JoinResult
    result: CheckResult
    seal: Seal | None


def join(
    layout: ReadLayout,
    builds: Mapping[str, Build],
    *,
    version: str | Version | None = None,
    rollback: int | None = None,
) -> JoinResult:
    """One image from every build of the layout; nothing is checked yet, sealed or written.

    ``version`` ("X.Y.Z") and ``rollback`` stand in for the layout's.  Raises UsageProblem for builds or a
    version that are missing, JoinRefused with everything that keeps the builds apart, LayoutError for values
    that cannot be written where they should go.
    """
    from gemel.joining.pipeline import join as run_passes

    wanted = version_of(version, "version") if isinstance(version, str) else version
    joined = run_passes(layout, builds, wanted, rollback)
    return JoinResult(Image(joined.image, joined.entry), joined.placed, joined.record)


def join_and_check(
    layout: ReadLayout,
    builds: Mapping[str, Build],
    keys: SignerSource,
    *,
    policy: ReadPolicy | None = None,
    version: Version | None = None,
    rollback: int | None = None,
    leave_unsealed: bool = False,
    **options: Any,
) -> CheckedJoin:
    """Join, seal with ``keys`` and check; raises what ``join`` and ``sealed_and_checked`` raise."""
    from gemel.workflows.rehearsing import due_rehearsal

    trust = trust_of_join(layout, policy, bool(keys))
    joined = join(layout, builds, version=version, rollback=rollback)
    rehearsal = due_rehearsal(layout, joined.image, builds, wanted=False) or False
    options |= {"version": version, "rollback": rollback, "rehearsal": rehearsal}
    result, seal, _ = sealed_and_checked(
        layout, joined.image, builds, keys, trust, leave_unsealed=leave_unsealed, **options
    )
    return CheckedJoin(joined, result, seal)


def trust_of_join(layout: ReadLayout, policy: ReadPolicy | None, sealed: bool) -> Trust:
    """Whose seals a joined image is judged by: those of the layout's keys, narrowed by a policy."""
    from gemel.workflows.trust import trust_of, trust_of_signer, trusted_keys

    return trust_of(layout, (), policy) if policy else trust_of_signer(trusted_keys(layout) if sealed else ())


def sealed_and_checked(
    layout: ReadLayout,
    image: Image,
    builds: Mapping[str, Build],
    keys: SignerSource,
    trust: Trust,
    *,
    leave_unsealed: bool = False,
    **options: Any,
) -> tuple[CheckResult, Seal | None, Sequence[Signer]]:
    """``image`` sealed with ``keys``, if there are any and it passes before, and its check; who sealed it.

    Nothing that breaks a rule is signed: with keys the image is checked before it is sealed, and after.
    The seal is compared with the keys of ``trust``; where it has none, with those that signed.
    """
    from gemel.workflows.checking import check
    from gemel.workflows.sealing import rules_without_seal, sealed_with

    early = rules_without_seal() if keys or leave_unsealed else None
    result = check(layout, image, builds, trusted=trust, rules=early, **options)
    if not keys or not result.passes:
        return result, None, ()
    signers = keys.open()
    seal = sealed_with(layout.layout, image.data, signers)
    trust = trust._replace(trusted=trust.trusted or tuple(signer.public_key for signer in signers))
    return check(layout, image, builds, trusted=trust, **options), seal, signers


def stripped(build: Build) -> list[Problem]:
    """The remark on an ELF file whose symbols were removed; none on any other."""
    if "stripped" not in build.reason_for("symbols"):
        return []
    return [
        Problem(
            "fewer rules can be checked of this build",
            where=f"build {build.name} ({build.file})",
            found="an ELF file without symbols: it was stripped",
            expected="an ELF file with its symbols",
            next_step="give the file as the linker wrote it",
        )
    ]


def _without_debug(layout: Layout, build: Build) -> list[Problem]:
    """The remark on an ELF file whose types a contract names and that has none."""
    if build.sections is None or not any(each.types for each in layout.contracts.values()):
        return []
    if any(section.name in (".debug_info", ".zdebug_info") for section in build.sections.all()):
        return []
    how = "compile with -g, and give the file as the linker wrote it"
    if any(section.name == ".gnu_debuglink" for section in build.sections.all()):
        try:
            if build.debug is not None and build.debug.types():
                return []
        except BuildError:
            how = "give the file as the linker wrote it, or put the one that .gnu_debuglink names next to it"
    return [
        Problem(
            "the types of contracts are not compared with this build",
            where=f"build {build.name} ({build.file})",
            found="an ELF file without debug information",
            expected="debug information, as the compiler writes it with -g",
            next_step=f"{how}; the debug information takes no place in the image",
        )
    ]


def assumptions_of(layout: Layout, build: Build) -> list[Problem]:
    """What is to be said of a build that is no whole ELF file: what was assumed, and that it shows less."""
    if build.kind == "elf":
        return stripped(build) or _without_debug(layout, build)
    from gemel.builds.build import KIND_NAMES

    area = layout.builds[build.name].stored_in
    where = f"build {build.name} ({build.file})"
    less = "it names no symbols, RAM or run addresses: rules that need them are not checked"
    kind = KIND_NAMES[build.kind]
    if build.kind != "bin":
        return [
            Problem(
                "fewer rules can be checked of this build",
                where=where,
                found=kind,
                expected="an ELF file",
                next_step=less,
            )
        ]
    what = "a raw binary does not say where it goes, and it was put at the start of its area"
    put = f"{kind}, put at {format_address(layout.span_of(area).start)}, area {area}"
    step = f"compare that with the build's linker script; {less}"
    return [
        Problem(
            what, where=where, found=put, expected="an ELF or HEX file, which holds addresses", next_step=step
        )
    ]
