"""Sealing an image that was joined before, in one step or in two: nothing is printed, and nothing written.

The image is checked before anything is signed and again with its seal; what came of it is in ``checks``,
in their order, and there is no seal and there are no bytes where the last of them does not pass.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cached_property
from typing import TYPE_CHECKING

from gemel.builds.build import Build
from gemel.checking.rule import Rule
from gemel.errors import Problem, UsageProblem
from gemel.files.paths import FilePath
from gemel.image.image import Image
from gemel.layout.reader import ReadLayout
from gemel.seals import sealing
from gemel.seals.keys.keys import PublicKey
from gemel.seals.seal import Seal, SealError, SealFault, SealSigner, bytes_to_sign, make_seal
from gemel.structs import Struct
from gemel.workflows.checking import CheckResult, check
from gemel.workflows.inputs.builds import load_builds
from gemel.workflows.inputs.images import read_image
from gemel.workflows.inputs.layouts import load_layout_and_files
from gemel.workflows.inputs.values import date_of, version_of
from gemel.workflows.made_elsewhere import paired, signatures_from
from gemel.workflows.sealing import MORE_SIGNERS, SignerSource, rules_of_a_part, rules_without_seal
from gemel.workflows.trust import Trust, given_policy, trust_of, trust_of_signer

if TYPE_CHECKING:
    from gemel.policy.reader import ReadPolicy

Signatures = list[tuple["PublicKey", bytes]]


class SignRequest(Struct, dict=True):
    """What is to be sealed, by whom and where to; files are read when they are first needed.

    ``version`` and ``rollback`` are what the image must hold where it was joined with other values than the
    layout's, ``date`` (YYYY-MM-DD) the one that waivers end by (None: the machine's).
    """

    layout: FilePath
    image: FilePath
    builds: Sequence[str]
    outputs: Sequence[FilePath]
    to_be_signed: Sequence[FilePath]
    signatures: Sequence[FilePath]
    publics: Sequence[FilePath]
    add: bool
    trust: Sequence[FilePath]
    at: int | None
    more_to_come: bool = False
    version: str | None = None
    rollback: int | None = None
    memories: Sequence[str] = ()
    form: str | None = None
    policy: FilePath | None = None
    date: str | None = None
    paths_outside: bool = False

    @property
    def read(self) -> ReadLayout:
        """The layout."""
        return self._layout_and_files[0]

    @cached_property
    def _layout_and_files(self) -> tuple[ReadLayout, dict[str, FilePath], list[Problem]]:
        outside = self.paths_outside
        return load_layout_and_files(self.layout, self.builds, paths_outside=outside)

    @cached_property
    def loaded(self) -> Image:
        """The image."""
        return read_image(self.image, layout=self.read, at=self.at, form=self.form)

    @property
    def files(self) -> dict[str, FilePath]:
        """The builds' files, given or by their paths in the layout."""
        return self._layout_and_files[1]

    @property
    def remarks(self) -> list[Problem]:
        """What is to be said of builds that are not where the layout names them."""
        return self._layout_and_files[2]

    @cached_property
    def loaded_builds(self) -> dict[str, Build]:
        """The builds that are given."""
        return load_builds(self.read, self.files)

    @cached_property
    def own_policy(self) -> ReadPolicy | None:
        """The policy of the signer."""
        return given_policy(self.policy)

    @cached_property
    def demanded(self) -> Trust:
        """The keys by which the result must be sealed, by layout, --trust and --policy."""
        return trust_of(self.read, self.trust, self.own_policy)

    @property
    def inputs(self) -> list[FilePath]:
        """Every file that is read, less those of private keys."""
        files = [self.layout, self.image, *self.files.values(), *self.signatures]
        return [*files, *self.publics, *self.trust, *([self.policy] if self.policy else [])]


class HandedOver(Struct):
    """Bytes to be signed elsewhere, by their file, each with the key that is to sign them."""

    check: CheckResult
    keys: dict[FilePath, PublicKey]
    texts: dict[FilePath, bytes]


class Sealed(Struct):
    """``seal`` is None where a check did not pass; ``replaced`` are the signers of the seal that went.

    ``replaced`` is None where the image had none, empty where its area held what was no seal.
    """

    checks: list[CheckResult]
    seal: Seal | None = None
    replaced: tuple[SealSigner, ...] | None = None


def refuse_mixture(request: SignRequest, keys: bool) -> None:
    """Raise UsageProblem for options that do not go together, all of them at once."""
    problems = []
    if request.to_be_signed:
        named = {"--key": keys, "--signature": request.signatures, "-o": request.outputs}
        named["--memory"] = request.memories
        named |= {"--add": request.add, "--trust": request.trust, "--more-to-come": request.more_to_come}
        if others := [name for name, given in named.items() if given]:
            what, found = "--to-be-signed writes no image and signs nothing", ", ".join(others)
            step = "run gemel sign once to write the bytes to be signed, and once to insert the signature"
            problems.append(Problem(what, found=found, expected="--public alone", next_step=step))
    else:
        if not keys and not request.signatures:
            problems.append(
                Problem(
                    "no key to sign with",
                    found="none",
                    expected="--key, --signature with --public, or --to-be-signed with --public",
                    next_step="give --key KEY; gemel keys new makes one",
                )
            )
        if not request.outputs and not request.memories:
            problems.append(
                Problem(
                    "no output for the sealed image",
                    found="none",
                    expected="-o IMAGE",
                    next_step="give -o IMAGE",
                )
            )
    if problems:
        raise UsageProblem(problems)


def hand_over(request: SignRequest) -> HandedOver:
    """The bytes to be signed by each public key; none where the image does not pass its check."""
    pairs = paired(request.to_be_signed, "--to-be-signed", request.publics)
    layout = request.read.layout
    sealing.check_sealable(layout, [key.algorithm for _, key in pairs])
    record = sealing.record_bytes(layout, request.loaded.data)
    checked = _checked(request, rules_without_seal(), ())
    if not checked.passes:
        return HandedOver(checked, {}, {})
    texts = {path: bytes_to_sign(record, key.algorithm, key.fingerprint) for path, key in pairs}
    return HandedOver(checked, dict(pairs), texts)


def seal_image(request: SignRequest, keys: SignerSource) -> Sealed:
    """Seal ``request.loaded`` with ``keys`` and the signatures made elsewhere."""
    pairs = paired(request.signatures, "--signature", request.publics)
    layout, image = request.read.layout, request.loaded.data
    elsewhere = [key.algorithm for _, key in pairs]
    sealing.check_sealable(layout, [*elsewhere, *keys.known_algorithms])
    record = sealing.record_bytes(layout, image)
    demanded = request.demanded
    made = signatures_from(record, pairs)
    kept = _kept(request, record) if request.add else []
    before = _checked(request, rules_without_seal(), ())
    if not before.passes:
        return Sealed([before])
    signers = keys.open()
    new = {key.fingerprint for key in [*(key for key, _ in made), *(each.public_key for each in signers)]}
    made += [each for each in kept if each[0].fingerprint not in new]
    algorithms = [*(key.algorithm for key, _ in made), *(each.algorithm for each in signers)]
    plan = sealing.check_sealable(layout, algorithms)
    if not request.more_to_come:
        sealing.refuse_too_few(plan, algorithms, MORE_SIGNERS)
    replaced = None if request.add else _replaced(request)
    made += sealing.signatures_by(record, signers)
    seal = sealing.put_seal(layout, image, make_seal(record, made))
    rules = rules_of_a_part() if request.more_to_come else None
    after = _checked(request, rules, _counted(request, demanded, [key for key, _ in made]))
    return Sealed([before, after], seal if after.passes else None, replaced)


def _counted(request: SignRequest, demanded: Trust, own: Sequence[PublicKey]) -> Sequence[PublicKey]:
    """The keys that count in the sealed image: the demanded ones; ``own`` where nobody names any.

    Where a seal is added to, --trust says which signers stay, and those that sign now count besides them.
    """
    if not (request.add and request.trust):
        return demanded.trusted or own
    plan, policy = request.read.layout.seal, request.own_policy
    anyone = not (plan and plan.trust) and not (policy and policy.policy.trust)
    return [*demanded.trusted, *(key for key in own if anyone or key in demanded.known)]


def _checked(request: SignRequest, rules: Iterable[Rule] | None, counted: Sequence[PublicKey]) -> CheckResult:
    """What a check says of the image as it is now, by ``rules`` (None: all)."""
    demanded = request.demanded if request.trust or request.policy else trust_of_signer(())
    return check(
        request.read,
        request.loaded,
        request.loaded_builds,
        version=version_of(request.version),
        rollback=request.rollback,
        as_layout_states=True,
        trusted=Trust(tuple(dict.fromkeys(counted)), demanded.known, demanded.receiver),
        rehearsal=False,
        today=date_of(request.date),
        rules=rules,
    )


def _kept(request: SignRequest, record: bytes) -> Signatures:
    """The signers that the image's seal has, each with its trusted key.

    Raises UsageProblem where there is no seal, or a signer does not hold or cannot be verified: anyone who adds
    to a seal vouches for no signature that was not verified.
    """
    from gemel.seals.seal import SealError, SealFault, verify

    layout = request.read.layout
    trusted = request.demanded.trusted
    try:
        present = sealing.present_seal(layout, request.loaded.data)
    except SealError as error:
        if error.faults != (SealFault.NO_SEAL,):
            raise
        raise UsageProblem(
            "there is no seal to add to",
            where=str(request.image),
            expected="a seal",
            next_step="leave --add out",
        ) from error
    kept, problems = [], []
    for verdict in verify(present, record, trusted):
        if verdict.good and verdict.key:
            kept.append((verdict.key, verdict.signer.signature))
        else:
            where = f"{verdict.signer.algorithm.name} key {verdict.signer.key_fingerprint.hex()}"
            step = "give its public key with --trust, or leave --add out to replace the seal"
            what, found = "a signer of the image cannot be kept", verdict.outcome.value
            problems.append(Problem(what, where=where, found=found, next_step=step))
    if problems:
        raise UsageProblem(problems)
    return kept


def _replaced(request: SignRequest) -> tuple[SealSigner, ...] | None:
    """The signers of the seal that the image has; none of what is no seal; None where the area is erased."""
    try:
        return sealing.present_seal(request.read.layout, request.loaded.data).signers
    except SealError as error:
        return None if error.faults == (SealFault.NO_SEAL,) else ()
