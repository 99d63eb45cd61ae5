"""The registry of signature algorithms: what the issue asks for, and nothing said twice."""

from __future__ import annotations

import pytest
from pycose.algorithms import EdDSA, Es256, Es384, Ps256, Ps384

from gemel.seals.keys.algorithms import (
    ALGORITHMS,
    Registration,
    algorithm_named,
    algorithm_of_cose_id,
    unknown_algorithm,
)


def test_names_and_identifiers_are_each_of_one_algorithm() -> None:
    """Each algorithm is found by its name and by its COSE identifier, and no two share either."""
    assert len({each.name.lower() for each in ALGORITHMS}) == len(ALGORITHMS)
    assert len({each.cose_id for each in ALGORITHMS}) == len(ALGORITHMS)
    for each in ALGORITHMS:
        assert algorithm_named(each.name) is each
        assert algorithm_named(each.name.upper()) is each
        assert algorithm_of_cose_id(each.cose_id) is each
        assert str(each) == each.name
    assert algorithm_of_cose_id(0) is None


@pytest.mark.parametrize(
    ("name", "independent"),
    [
        ("Ed25519", EdDSA),
        ("ECDSA-P256", Es256),
        ("ECDSA-P384", Es384),
        ("RSA-3072-PSS", Ps256),
        ("RSA-4096-PSS", Ps384),
    ],
)
def test_identifiers_are_those_of_an_independent_library(name: str, independent) -> None:
    """The package pycose gives each classical algorithm the same identifier and name."""
    algorithm = algorithm_named(name)
    assert algorithm is not None
    assert algorithm.cose_id == independent.identifier
    assert algorithm.cose_name.upper() == independent.fullname


def test_only_the_ml_dsa_registrations_are_known_from_rfc_9964() -> None:
    """What its examples show is marked: the ML-DSA ones, which are those made for quantum computers."""
    marked = {each.name for each in ALGORITHMS if each.evidence is Registration.RFC_9964}
    assert marked == {"ML-DSA-65", "ML-DSA-87"}
    assert marked == {each.name for each in ALGORITHMS if each.quantum_safe}


def test_an_unknown_name_is_a_problem() -> None:
    """It is named as it was given, beside the names that there are."""
    problem = unknown_algorithm("ed448")
    assert problem.found == "ed448"
    assert "ECDSA-P384" in problem.expected
