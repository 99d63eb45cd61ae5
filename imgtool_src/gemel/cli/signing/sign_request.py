"""The work of ``gemel sign``: an image read, checked, sealed and written, or its bytes handed over."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from gemel.cli.echo import echo
from gemel.cli.endings import NOTHING_WRITTEN
from gemel.cli.printing import print_done, written_words
from gemel.cli.signing.key_options import KeysAtHand
from gemel.cli.signing.seal_lines import missing_lines, seal_lines
from gemel.cli.signing.signing_room import hand_over_lines, paired, signatures_from
from gemel.errors import Problem, UsageProblem
from gemel.files.output_targets import refuse_targets
from gemel.files.outputs import write_all
from gemel.seals import sealing
from gemel.structs import Struct
from gemel.workflows.checking import check
from gemel.workflows.inputs import build_files, load_builds, load_layout, read_image
from gemel.workflows.sealing import MORE_SIGNERS, rules_of_a_part, rules_without_seal
from gemel.workflows.trust import trusted_keys
from gemel.workflows.writing import encoded, refuse_suffixes

if TYPE_CHECKING:
    from gemel.builds.build import Build
    from gemel.checking.rule import Rule
    from gemel.image.image import Image
    from gemel.layout.reader import ReadLayout
    from gemel.seals.keys.keys import PublicKey
    from gemel.seals.seal import SealSigner

Signatures = list[tuple["PublicKey", bytes]]


class SignRequest(Struct, dict=True):
    """What ``gemel sign`` was asked for; files are read when they are first needed."""

    layout: Path
    image: Path
    builds: Sequence[str]
    outputs: Sequence[Path]
    to_be_signed: Sequence[Path]
    signatures: Sequence[Path]
    publics: Sequence[Path]
    add: bool
    trust: Sequence[Path]
    at: int | None
    more_to_come: bool = False

    @cached_property
    def read(self) -> ReadLayout:
        """The layout."""
        return load_layout(self.layout)

    @cached_property
    def loaded(self) -> Image:
        """The image."""
        return read_image(self.image, layout=self.read, at=self.at)

    @cached_property
    def files(self) -> dict[str, Path]:
        """The builds' files."""
        return build_files(self.read.layout, self.builds)

    @cached_property
    def handed(self) -> dict[str, Build]:
        """The builds at hand."""
        return load_builds(self.read, self.files)

    @property
    def inputs(self) -> list[Path]:
        """Every file that is read, less those of private keys."""
        files = [self.layout, self.image, *self.files.values(), *self.signatures]
        return [*files, *self.publics, *self.trust]


def refuse_mixture(request: SignRequest, keys: bool) -> None:
    """Raise UsageProblem for options that do not go together, all of them at once."""
    problems = []
    if request.to_be_signed:
        named = {"--key": keys, "--signature": request.signatures, "-o": request.outputs}
        named |= {"--add": request.add, "--trust": request.trust, "--more-to-come": request.more_to_come}
        others = [name for name, given in named.items() if given]
        if others:
            what, found = "--to-be-signed writes no image and signs nothing", ", ".join(others)
            step = "run gemel sign once to hand the bytes over, and once to take the signature in"
            problems.append(Problem(what, found=found, expected="--public alone", next_step=step))
    else:
        if not keys and not request.signatures:
            expected = "--key, --signature with --public, or --to-be-signed with --public"
            problems.append(Problem("nothing says who signs", expected=expected))
        if not request.outputs:
            problems.append(Problem("nothing says where the sealed image goes", expected="-o IMAGE"))
        if request.trust and not request.add:
            what = "--trust says which signers may be kept with --add"
            problems.append(Problem(what, found="no --add", expected="--add"))
    if problems:
        raise UsageProblem(problems)


def hand_over(request: SignRequest) -> int:
    """Write the bytes to be signed for each public key; the exit code."""
    from gemel.seals.seal import bytes_to_sign

    pairs = paired(request.to_be_signed, "--to-be-signed", request.publics)
    refuse_targets(request.to_be_signed, request.inputs)
    layout = request.read.layout
    sealing.check_sealable(layout, [key.algorithm for _, key in pairs])
    record = sealing.record_bytes(layout, request.loaded.data)
    if not _passes(request, rules_without_seal(), say_so=True):
        return _nothing_written()
    texts = {path: bytes_to_sign(record, key.algorithm, key.fingerprint) for path, key in pairs}
    for path, key in pairs:
        echo("\n".join(hand_over_lines(key, path, len(texts[path]))))
    write_all({path: [text] for path, text in texts.items()})
    print_done(written_words(texts))
    return 0


def seal_image(request: SignRequest, keys: KeysAtHand) -> int:
    """Seal the image with ``keys`` and the signatures made elsewhere and write it; the exit code."""
    from gemel.seals.seal import make_seal

    pairs = paired(request.signatures, "--signature", request.publics)
    refuse_suffixes(request.outputs)
    refuse_targets(request.outputs, [*request.inputs, *keys.files])
    layout, image = request.read.layout, request.loaded.data
    elsewhere = [key.algorithm for _, key in pairs]
    sealing.check_sealable(layout, [*elsewhere, *keys.known_algorithms])
    record = sealing.record_bytes(layout, image)
    trusted = trusted_keys(request.read)
    made = signatures_from(record, pairs)
    kept = _kept(request, record) if request.add else []
    if not _passes(request, rules_without_seal(), say_so=False):
        return _nothing_written()
    signers = keys.open()
    new = {key.fingerprint for key in [*(key for key, _ in made), *(each.public_key for each in signers)]}
    made += [each for each in kept if each[0].fingerprint not in new]
    algorithms = [*(key.algorithm for key, _ in made), *(each.algorithm for each in signers)]
    plan = sealing.check_sealable(layout, algorithms)
    if not request.more_to_come:
        sealing.refuse_too_few(plan, algorithms, MORE_SIGNERS)
    replaced = [] if request.add else _replaced(request)
    made += sealing.signatures_by(record, signers)
    seal = sealing.put_seal(layout, image, make_seal(record, made))
    rules = rules_of_a_part() if request.more_to_come else None
    if not _passes(request, rules, say_so=True, trusted=trusted or tuple(key for key, _ in made)):
        return _nothing_written()
    echo("\n".join([*seal_lines(layout, seal), *replaced, *missing_lines(layout, seal)]))
    write_all({path: encoded(path, image, layout, request.loaded.entry) for path in request.outputs})
    print_done(written_words(request.outputs))
    return 0


def _passes(
    request: SignRequest,
    rules: Iterable[Rule] | None,
    *,
    say_so: bool,
    trusted: tuple[PublicKey, ...] = (),
) -> bool:
    """Whether the image as it is now keeps ``rules`` (None: all); what breaks them is printed in any case."""
    from gemel.checking.reports.as_text import summary_of

    result = check(
        request.read, request.loaded, request.handed, trusted=trusted, rehearsal=False, rules=rules
    )
    if say_so or not result.passes:
        echo("\n".join(summary_of(result)))
    return result.passes


def _nothing_written() -> int:
    echo(NOTHING_WRITTEN, err=True)
    return 1


def _kept(request: SignRequest, record: bytes) -> Signatures:
    """The signers that the image's seal has, each with its trusted key.

    Raises UsageProblem where there is no seal, or a signer does not hold or cannot be told to: whoever adds
    to a seal vouches for no signature that was not verified.
    """
    from gemel.seals.seal import SealError, SealFault, verify

    layout = request.read.layout
    trusted = trusted_keys(request.read, request.trust)
    try:
        present = sealing.present_seal(layout, request.loaded.data)
    except SealError as error:
        if error.faults != (SealFault.NO_SEAL,):
            raise
        problem = Problem(
            "there is no seal to add to",
            where=str(request.image),
            expected="a seal",
            next_step="leave --add out",
        )
        raise UsageProblem(problem) from error
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


def _replaced(request: SignRequest) -> list[str]:
    """What is said of the seal that the image has, if it has one, before it is replaced."""
    from gemel.seals.seal import SealError, SealFault

    layout = request.read.layout
    try:
        present = sealing.present_seal(layout, request.loaded.data)
    except SealError as error:
        no_seal = error.faults == (SealFault.NO_SEAL,)
        return [] if no_seal else ["  replaced what lay in the seal's area and was no seal"]
    return [f"  replaced the seal of {', '.join(_signer_words(each) for each in present.signers)}"]


def _signer_words(signer: SealSigner) -> str:
    return f"{signer.algorithm.name} key {signer.key_fingerprint.hex()[:16]}"
