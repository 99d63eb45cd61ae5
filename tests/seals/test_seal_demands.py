"""What a layout demands of a seal: faults of the demands themselves, and who is missing."""

from __future__ import annotations

import itertools

import pytest
from layout.reading import read
from small_device import LAYOUT, layout_text

from gemel.checking.rule_changes import waiver_faults
from gemel.errors import LayoutError
from gemel.layout.model import SealPlan
from gemel.layout.reader import read_layout
from gemel.seals.cose import MAX_SIGNERS
from gemel.seals.demands import (
    allowed_algorithms,
    demanded_words,
    least_signers,
    missing_signers,
    seal_faults,
)
from gemel.seals.keys.algorithms import ALGORITHMS, ECDSA_P256, ED25519, ML_DSA_65, ML_DSA_87

SEAL = '\n[seal]\narea = "seal"\n'
NO_RECORD = {'[record]\narea = "record"\nvendor = "harbour.example"\nclass = "small device"\n': ""}


def told(keys: str, rules: str = "", replace: dict[str, str] | None = None) -> list[str]:
    """What is told of a layout with these keys in [seal]."""
    text = layout_text(replace, SEAL + keys + rules)
    try:
        read_layout(text.encode(), "small.toml", [seal_faults, waiver_faults])
    except LayoutError as error:
        return [str(problem) for problem in error.problems]
    return []


FAULTS = {
    "an unknown algorithm": (
        'algorithms = ["Ed25518"]\n',
        "unknown signature algorithm: seal.algorithms[0]; found Ed25518; expected one of Ed25519, "
        "ECDSA-P256, ECDSA-P384, RSA-3072-PSS, RSA-4096-PSS, ML-DSA-65, ML-DSA-87; "
        'did you mean "Ed25519"?',
    ),
    "an algorithm twice": (
        'algorithms = ["Ed25519", "ed25519"]\n',
        "an algorithm named twice: seal.algorithms[1]; found ed25519; expected each algorithm once",
    ),
    "a key file twice": (
        'trust = ["a.pem", "a.pem"]\n',
        "a key file named twice: seal.trust[1]; found a.pem; expected each key file once",
    ),
    "more signers than keys": (
        'trust = ["a.pem", "b.pem"]\nsigners = 3\n',
        "more signers than trusted keys: seal.signers; found 3 signers; 2 in trust; "
        "expected at most 2, or more keys in trust",
    ),
    "a pair of one key": (
        'trust = ["a.pem"]\npair = true\n',
        "more signers than trusted keys: seal.pair; found 2 signers, among them a classical signature and an "
        "ML-DSA signature; 1 in trust; expected at most 1, or more keys in trust",
    ),
    "a pair without ML-DSA": (
        'algorithms = ["Ed25519", "ECDSA-P256"]\npair = true\n',
        "a pair without an ML-DSA signature: seal.pair; found algorithms = Ed25519, ECDSA-P256; "
        "expected algorithms with one for an ML-DSA signature",
    ),
    "a pair without a classical one": (
        'algorithms = ["ML-DSA-87"]\npair = true\n',
        "a pair without a classical signature: seal.pair; found algorithms = ML-DSA-87; "
        "expected algorithms with one for a classical signature",
    ),
    "no signer": (
        "signers = 0\n",
        "number out of range: seal.signers; found 0; expected a whole number from 1 to 8",
    ),
    "too many signers": (
        "signers = 9\n",
        "number out of range: seal.signers; found 9; expected a whole number from 1 to 8",
    ),
}


@pytest.mark.parametrize("case", FAULTS)
def test_a_demand_that_cannot_be_met_is_a_fault_of_the_layout(case: str) -> None:
    """Each is told with its line and its words, and nothing else is."""
    keys, words = FAULTS[case]
    key = words.partition("seal.")[2].partition(";")[0].partition("[")[0]
    text = layout_text(None, SEAL + keys)
    line = next(number for number, line in enumerate(text.split("\n"), 1) if line.startswith(f"{key} = "))
    assert told(keys) == [f"small.toml:{line}: {words}"]


def test_a_required_seal_needs_a_record() -> None:
    """A seal covers the record; without one there is nothing that it could be over."""
    (words,) = told("required = true\n", replace=NO_RECORD)
    assert "a seal over no record: seal.required; found no [record]; expected [record]" in words
    assert told("", replace=NO_RECORD) == []


def test_every_fault_is_told_at_once() -> None:
    """One run names all of them."""
    rules = (
        '\n[rules]\nwaive = [{ rule = "seal-present", where = "seal", reason = "r", until = 2030-01-01 }]\n'
    )
    keys = 'required = true\ntrust = ["a.pem", "a.pem"]\nalgorithms = ["x"]\nsigners = 2\npair = true\n'
    assert len(told(keys, rules)) == 4


SOUND = [
    "",
    "required = true\n",
    'trust = ["a.pem", "b.pem"]\nsigners = 2\n',
    "signers = 8\n",
    'trust = ["a.pem", "b.pem"]\npair = true\n',
    'algorithms = ["ECDSA-P384", "ML-DSA-87"]\npair = true\n',
]


@pytest.mark.parametrize("keys", SOUND)
def test_demands_that_can_be_met_are_sound(keys: str) -> None:
    """Nothing is told of them."""
    assert told(keys) == []


def test_other_rules_may_be_waived_beside_a_required_seal() -> None:
    """Only the rules that guard the image are kept from waivers."""
    for rule, count in (("stack-has-room", 0), ("stamps-match", 1)):
        entry = f'rule = "{rule}", where = "station", reason = "r", until = 2030-01-01'
        assert len(told("required = true\n", f"\n[rules]\nwaive = [{{ {entry} }}]\n")) == count


def test_whose_seals_are_taken_is_not_in_the_layouts_digest() -> None:
    """A withdrawn key, a new algorithm or one signer more does not make images those of another layout."""
    plain = read(LAYOUT + SEAL).digest
    assert plain != read(LAYOUT).digest
    for keys in (*SOUND, 'required = true\ntrust = ["a.pem"]\nalgorithms = ["Ed25519"]\n'):
        assert read(LAYOUT + SEAL + keys).digest == plain


def test_the_most_signers_are_those_of_a_seal() -> None:
    """The layout's room, which knows no COSE, has the same bound."""
    assert told(f"signers = {MAX_SIGNERS}\n") == []
    assert told(f"signers = {MAX_SIGNERS + 1}\n") != []


def test_no_algorithms_are_all_algorithms() -> None:
    """A layout that names none allows every one that a seal may have; names count in any case."""
    assert allowed_algorithms(SealPlan(area="seal")) == ALGORITHMS
    named = SealPlan(area="seal", algorithms=("ml-dsa-65", "ED25519"))
    assert allowed_algorithms(named) == (ML_DSA_65, ED25519)


def meets(plan: SealPlan, counted: tuple[object, ...]) -> bool:
    """What the demand says in so many words: enough, and of a pair one of each."""
    safe = [algorithm in (ML_DSA_65, ML_DSA_87) for algorithm in counted]
    return len(counted) >= plan.signers and (not plan.pair or (any(safe) and not all(safe)))


def test_missing_is_empty_exactly_when_the_demand_is_met() -> None:
    """All sets of up to four signers of four algorithms against all demands of up to four."""
    kinds = (ED25519, ECDSA_P256, ML_DSA_65, ML_DSA_87)
    for signers, pair in itertools.product(range(1, 5), (False, True)):
        plan = SealPlan(area="seal", signers=signers, pair=pair)
        assert least_signers(plan) == max(signers, 2 * pair)
        assert ("ML-DSA" in demanded_words(plan)) == pair
        for count in range(5):
            for counted in itertools.combinations_with_replacement(kinds, count):
                assert (missing_signers(plan, counted) == []) == meets(plan, counted), (plan, counted)
