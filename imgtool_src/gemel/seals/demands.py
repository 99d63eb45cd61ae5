"""What layout and receiver demand of a seal: algorithms, number of signers, a pair; and whether it meets that.

A signer counts when its key is trusted, its algorithm is that key's and allowed, and its signature holds.
Each key counts once (a seal cannot name it twice).  ``signers`` counts keys, which says nothing of their
kinds: during a rotation two classical keys are two.  Where a classical and an ML-DSA signature must both
hold, ``pair`` requires one of each, however many others there are.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from gemel.layout.kinds import KeyPath, LayoutFault
from gemel.layout.model import Layout, SealPlan
from gemel.policy.reader import NO_RECEIVER, Receiver
from gemel.seals.keys.algorithms import ALGORITHMS, SignatureAlgorithm, algorithm_named, unknown_algorithm
from gemel.structs import Struct

NOT_REQUIRED = "there is no seal, and none is required"
"""Why rules on seals do not apply."""

SEAL_RULES = "seal-"
"""What the names of the rules about the seal begin with."""

_PAIR = ((False, "a classical signature"), (True, "an ML-DSA signature"))


class SealDemands(Struct):
    """What layout and receiver together demand; ``demanded_by`` says who requires a seal, if somebody does."""

    required: bool
    demanded_by: str
    algorithms: tuple[SignatureAlgorithm, ...]
    signers: int
    pair: bool
    unknown_signers: int


def demands_of(plan: SealPlan, receiver: Receiver = NO_RECEIVER) -> SealDemands:
    """The demands of the layout's ``plan`` and of ``receiver``, each the narrower of both."""
    algorithms = allowed_algorithms(plan)
    signers, pair, unknown = plan.signers, plan.pair, plan.unknown_signers
    if receiver.policy:
        policy = receiver.policy.policy
        if policy.algorithms:
            algorithms = tuple(each for each in algorithms if each.name in policy.algorithms)
        signers, pair = max(signers, policy.signers), pair or policy.pair
        unknown = min(unknown, policy.unknown_signers)
    by = receiver.words if receiver.demands_seal else "required = true in [seal]"
    required = plan.required or receiver.demands_seal
    return SealDemands(required, by, algorithms, signers, pair, unknown)


def allowed_algorithms(plan: SealPlan) -> tuple[SignatureAlgorithm, ...]:
    """The algorithms that a seal may have; all of them where the layout names none."""
    named = (algorithm_named(name) for name in plan.algorithms)
    return tuple(algorithm for algorithm in named if algorithm) if plan.algorithms else ALGORITHMS


def least_signers(plan: SealPlan | SealDemands) -> int:
    """How many signers a seal needs at least: ``signers``, and two for a pair."""
    return max(plan.signers, 2 if plan.pair else 1)


def demanded_words(plan: SealPlan | SealDemands) -> str:
    """How many signers must hold, and of which kinds, in words."""
    least = least_signers(plan)
    count = "1 signer" if least == 1 else f"{least} signers"
    return f"{count}, among them {' and '.join(words for _, words in _PAIR)}" if plan.pair else count


def missing_signers(plan: SealPlan | SealDemands, counted: Iterable[SignatureAlgorithm]) -> list[str]:
    """What is missing of what ``plan`` demands, in words; ``counted`` has the algorithm of each signer."""
    algorithms = list(counted)
    lacking = least_signers(plan) - len(algorithms)
    missing = []
    if plan.pair:
        kinds = {algorithm.quantum_safe for algorithm in algorithms}
        missing = [words for safe, words in _PAIR if safe not in kinds]
    if lacking > len(missing):
        missing.append(f"{lacking - len(missing)} more" if missing else f"{lacking} more by trusted keys")
    return missing


def seal_faults(layout: Layout) -> Iterator[LayoutFault]:
    """What is wrong with the layout's demands: unknown names, demands that no seal can meet."""
    plan = layout.seal
    if plan is None:
        return
    yield from _algorithms(plan)
    yield from _numbers(plan)
    if plan.required and layout.record is None:
        yield LayoutFault(
            ("seal", "required"),
            "a seal over no record",
            found="no [record]",
            expected="[record]",
            next_step='add an area of purpose "record", and name it in a table [record]',
        )


def _algorithms(plan: SealPlan) -> Iterator[LayoutFault]:
    known: set[SignatureAlgorithm] = set()
    for index, name in enumerate(plan.algorithms):
        path: KeyPath = ("seal", "algorithms", index)
        algorithm = algorithm_named(name)
        if algorithm is None:
            yield LayoutFault.of(unknown_algorithm(name), path)
        elif algorithm in known:
            yield LayoutFault(path, "an algorithm named twice", found=name, expected="each algorithm once")
        else:
            known.add(algorithm)


def _numbers(plan: SealPlan) -> Iterator[LayoutFault]:
    for index, name in enumerate(plan.trust):
        if name in plan.trust[:index]:
            yield LayoutFault(
                ("seal", "trust", index), "a key file named twice", found=name, expected="each key file once"
            )
    least, trusted = least_signers(plan), len(set(plan.trust))
    if plan.trust and least > trusted:
        path: KeyPath = ("seal", "signers") if plan.signers > trusted else ("seal", "pair")
        found = f"{demanded_words(plan)}; {trusted} in trust"
        expected = f"at most {trusted}, or more keys in trust"
        yield LayoutFault(path, "more signers than trusted keys", found=found, expected=expected)
    if plan.pair and all(algorithm_named(name) for name in plan.algorithms):
        kinds = {algorithm.quantum_safe for algorithm in allowed_algorithms(plan)}
        for safe, words in _PAIR:
            if safe not in kinds:
                found = f"algorithms = {', '.join(plan.algorithms)}"
                expected = f"algorithms with one for {words}"
                yield LayoutFault(("seal", "pair"), f"a pair without {words}", found=found, expected=expected)
