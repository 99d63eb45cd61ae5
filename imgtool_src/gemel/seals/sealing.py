"""The last pass of a join: the seal, over the record's exact bytes, at the start of its area.

What is signed are the record's bytes as the image holds them, be it just joined or read from a file.
Nothing but the seal's area changes: the seal, padded to the write unit, and erased bytes after it.
"""

from __future__ import annotations

from collections.abc import Sequence

from gemel.errors import Problem, UsageProblem
from gemel.image.sparse import SparseBytes
from gemel.layout.model import Layout, SealPlan
from gemel.record.record import decode, record_size
from gemel.seals.demands import allowed_algorithms, demanded_words, missing_signers
from gemel.seals.keys.algorithms import SignatureAlgorithm
from gemel.seals.keys.keys import PublicKey, Signer
from gemel.seals.seal import Seal, bytes_to_sign, check_room, make_seal, read_seal
from gemel.spans import align_up


def seal(layout: Layout, image: SparseBytes, signers: Sequence[Signer]) -> Seal:
    """Sign the record in ``image`` with all ``signers`` and write the seal; the seal as it is read back.

    Raises UsageProblem and SealError as ``check_sealable`` does, RecordError without a sound
    record, and whatever a signer raises; ``image`` is then unchanged.
    """
    check_sealable(layout, [signer.algorithm for signer in signers])
    record = record_bytes(layout, image)
    return put_seal(layout, image, make_seal(record, signatures_by(record, signers)))


def check_sealable(layout: Layout, algorithms: Sequence[SignatureAlgorithm]) -> SealPlan:
    """The layout's seal, if one signer of each of ``algorithms`` may go into it; before anything is signed.

    Raises UsageProblem where the layout has no seal or no record and for an algorithm that it does not
    allow, SealError, with the bytes needed, where its area is too small.
    """
    plan = sealed_plan(layout)
    allowed = allowed_algorithms(plan)
    if refused := [algorithm.name for algorithm in algorithms if algorithm not in allowed]:
        raise UsageProblem(
            "the layout does not allow seals of this algorithm",
            where="seal",
            found=", ".join(dict.fromkeys(refused)),
            expected=f"one of {', '.join(plan.algorithms)} (algorithms in [seal])",
            next_step="give a key of an allowed algorithm",
        )
    check_room(algorithms, layout.span_of(plan.area).size, area_words(layout, plan))
    return plan


def refuse_too_few(plan: SealPlan, algorithms: Sequence[SignatureAlgorithm], next_step: str) -> None:
    """Raise UsageProblem where good signers of ``algorithms`` are fewer than ``plan`` demands."""
    if missing := missing_signers(plan, algorithms):
        found = f"{', '.join(each.name for each in algorithms) or 'none'}; missing {' and '.join(missing)}"
        what = "fewer signers than the layout demands"
        raise UsageProblem(
            what, where="seal", found=found, expected=demanded_words(plan), next_step=next_step
        )


def sealed_plan(layout: Layout) -> SealPlan:
    """The layout's seal; raises UsageProblem where it has none, or no record for it to cover."""
    problems = []
    if layout.seal is None:
        problems.append(
            Problem(
                "the layout has no place for a seal",
                where="layout",
                found="no [seal]",
                expected="[seal]",
                next_step='add an area of purpose "seal", and name it in a table [seal]',
            )
        )
    if layout.record is None:
        what = "there is nothing to seal: the layout has no record"
        step = 'add an area of purpose "record", and name it in a table [record]'
        problems.append(
            Problem(what, where="layout", found="no [record]", expected="[record]", next_step=step)
        )
    if problems or layout.seal is None:
        raise UsageProblem(problems)
    return layout.seal


def record_bytes(layout: Layout, image: SparseBytes) -> bytes:
    """The exact bytes of the image's record, which a seal is over.

    Raises UsageProblem where the layout has no record, RecordError where the image has no sound one.
    """
    if layout.record is None:
        raise UsageProblem(
            "the layout has no record",
            where="layout",
            found="no [record]",
            expected="[record]",
            next_step='add an area of purpose "record", and name it in a table [record]',
        )
    area = layout.record.area
    span = layout.span_of(area)
    data = image.read(span, layout.memory_of(area).erased_byte)
    record = decode(data, f"area {area}, {span}")
    return data[: record_size(len(record.builds))]


def signatures_by(record: bytes, signers: Sequence[Signer]) -> list[tuple[PublicKey, bytes]]:
    """What each of ``signers`` signs of the record's bytes; raises whatever a signer raises."""
    keys = [signer.public_key for signer in signers]
    texts = [bytes_to_sign(record, key.algorithm, key.fingerprint) for key in keys]
    return [(key, signer.sign(text)) for key, signer, text in zip(keys, signers, texts, strict=True)]


def present_seal(layout: Layout, image: SparseBytes) -> Seal:
    """The image's seal, unverified.  Raises UsageProblem, and SealError where it is not sound."""
    plan = sealed_plan(layout)
    span = layout.span_of(plan.area)
    erased = layout.memory_of(plan.area).erased_byte
    return read_seal(image.read(span, erased), erased, area_words(layout, plan))


def put_seal(layout: Layout, image: SparseBytes, seal_bytes: bytes) -> Seal:
    """Write a seal's bytes into its area and read it back; ``image`` holds no more of the area than before.

    Raises UsageProblem, and SealError for bytes that are no seal or do not fit; ``image`` is then unchanged.
    """
    plan = sealed_plan(layout)
    span, memory = layout.span_of(plan.area), layout.memory_of(plan.area)
    area = seal_bytes.ljust(span.size, bytes((memory.erased_byte,)))[: span.size]
    made = read_seal(area, memory.erased_byte, area_words(layout, plan))
    for held in image.held_in(span):
        image.write(held.start, bytes((memory.erased_byte,)) * held.size)
    image.write(span.start, area[: align_up(len(seal_bytes), memory.write_unit)])
    return made


def area_words(layout: Layout, plan: SealPlan) -> str:
    """The seal's area as problems name it."""
    return f"area {plan.area}, {layout.span_of(plan.area)}"
