"""Structs and named tuples of ``gemel.structs`` behave as the standard library's data classes and named tuples do."""

from __future__ import annotations

import copy
import dataclasses
import pickle
from functools import cached_property
from typing import NamedTuple as StandardTuple

import pytest

from gemel.structs import KW_ONLY, NamedTuple, Struct, field, fields, replace


class Plain(Struct):
    first: int
    second: str = "two"


@dataclasses.dataclass(frozen=True, slots=True)
class StandardPlain:
    first: int
    second: str = "two"


class Mixed(Struct):
    what: str
    _: KW_ONLY
    found: str = ""
    needed: int


@dataclasses.dataclass(frozen=True, slots=True)
class StandardMixed:
    what: str
    _: dataclasses.KW_ONLY
    found: str = ""
    needed: int


class Named(Struct, kw_only=True):
    late: int = 5
    early: int


class Changing(Struct, frozen=False):
    items: list[int] = field(default_factory=list)
    secret: str = field(default="", repr=False)


class Tagged(Struct):
    number: int
    tag: str = field(default="", compare=False)


class Derived(Plain):
    third: int = 3


class Caching(Struct, dict=True):
    number: int

    @cached_property
    def doubled(self) -> int:
        return 2 * self.number


class Secret(Struct, repr=False):
    phrase: str


class Pair(NamedTuple):
    left: int
    right: int = 7


class StandardPair(StandardTuple):
    left: int
    right: int = 7


CALLS = (
    ((), {}),
    ((1,), {}),
    ((1, "x"), {}),
    ((1, "x", 3), {}),
    ((), {"first": 1}),
    ((1,), {"first": 1}),
    ((1,), {"second": "x"}),
    ((1,), {"third": 3}),
    (("w",), {"needed": 1}),
    (("w",), {"needed": 1, "found": "f"}),
    (("w", "f"), {"needed": 1}),
    ((), {"what": "w", "needed": 2}),
    ((), {"left": 1}),
    ((1,), {"right": 2}),
    ((1, 2), {"right": 2}),
)


def _made(cls, values, named):
    try:
        made = cls(*values, **named)
    except TypeError:
        return "TypeError"
    return repr(made).replace("Standard", "")


@pytest.mark.parametrize(("values", "named"), CALLS)
@pytest.mark.parametrize(
    ("ours", "standard"), [(Plain, StandardPlain), (Mixed, StandardMixed), (Pair, StandardPair)]
)
def test_arguments_are_taken_and_refused_as_by_the_standard_library(ours, standard, values, named):
    """By place, by name, by default, too many, too few and twice."""
    assert _made(ours, values, named) == _made(standard, values, named)


def test_equality_and_hash_follow_class_and_fields():
    assert Plain(1) == Plain(1, "two")
    assert Plain(1) != Plain(2)
    assert Plain(1) != Derived(1)
    assert Plain(1) != (1, "two")
    assert hash(Plain(1)) == hash(Plain(1, "two"))
    assert Tagged(1, "a") == Tagged(1, "b") != Tagged(2, "b")
    assert hash(Tagged(1, "a")) == hash(Tagged(1, "b"))
    assert len({Plain(1), Plain(1), Plain(2)}) == 2
    with pytest.raises(TypeError, match="unhashable"):
        hash(Changing())
    with pytest.raises(TypeError, match="unhashable"):
        hash(Plain([]))  # type: ignore[arg-type]


def test_secrets_are_not_shown():
    assert "swordfish" not in f"{Secret('swordfish')!r} {Secret('swordfish')}"


def test_frozen_structs_stay_as_they_are_and_others_change():
    plain, changing = Plain(1), Changing()
    with pytest.raises(AttributeError, match="frozen"):
        plain.first = 2  # type: ignore[misc]
    with pytest.raises(AttributeError, match="frozen"):
        plain.other = 2
    with pytest.raises(AttributeError, match="frozen"):
        del plain.first
    changing.secret = "x"
    assert changing.secret == "x"
    with pytest.raises(AttributeError):
        changing.other = 1
    assert not hasattr(plain, "__dict__")


def test_defaults_that_are_made_are_made_for_each_instance():
    one, two = Changing(), Changing()
    one.items.append(1)
    assert two.items == []
    assert repr(one) == "Changing(items=[1])"


def test_fields_in_order_with_those_of_the_base_first():
    assert list(fields(Derived)) == ["first", "second", "third"]
    assert list(fields(Mixed("w", needed=1))) == ["what", "found", "needed"]
    assert Derived(1, "x", 4) == Derived(first=1, second="x", third=4)
    assert Derived.__match_args__ == ("first", "second", "third")
    assert Mixed.__match_args__ == ("what",)
    assert Named(early=1).late == 5
    with pytest.raises(TypeError):
        Named(1)


@pytest.mark.parametrize(
    "whole", [Plain(1), Mixed("w", needed=1), Derived(1), Caching(2), Pair(1), Changing([1])]
)
def test_copies_and_pickles_are_equal(whole):
    for copied in (pickle.loads(pickle.dumps(whole)), copy.copy(whole), copy.deepcopy(whole)):
        assert copied == whole
        assert type(copied) is type(whole)


def test_replace_changes_the_named_fields_only():
    assert replace(Plain(1, "x"), first=2) == Plain(2, "x")
    assert replace(Mixed("w", needed=1), found="f") == Mixed("w", found="f", needed=1)
    with pytest.raises(TypeError):
        replace(Plain(1), third=3)


def test_cached_properties_are_made_once_and_count_for_nothing():
    caching = Caching(2)
    assert caching.doubled is caching.doubled
    assert caching == Caching(2)
    assert repr(caching) == "Caching(number=2)"


def test_named_tuples_are_tuples():
    pair = Pair(1)
    left, right = pair
    assert (left, right) == pair == (1, 7)
    assert pair._replace(left=2) == Pair(2, 7)
    assert Pair._make(iter((3, 4))) == Pair(3, 4)
    assert sorted([Pair(2), Pair(1, 9)]) == [Pair(1, 9), Pair(2)]
    with pytest.raises(AttributeError):
        pair.left = 3  # type: ignore[misc]
    with pytest.raises(TypeError):
        Pair._make((1, 2, 3))
    match pair:
        case Pair(a, right=b):
            assert (a, b) == (1, 7)
        case _:
            pytest.fail("no match")


NAMES = ("s", "q", "a", "self_", "cls_", "r", "b", "values", "named", "c")
"""Names of fields; some are those of the parameters in the functions whose code all classes of as many have."""


@pytest.mark.parametrize("defaults", [0, 1, 2])
@pytest.mark.parametrize("count", range(1, len(NAMES) + 1))
def test_any_number_of_fields_is_set_by_place_by_name_and_by_default(count: int, defaults: int) -> None:
    """Up to those numbers that have a function of their own, and beyond; too few, too many and unknown are refused."""
    names = NAMES[:count]
    given = dict(zip(names[max(0, count - defaults) :], range(100, 110), strict=False))
    body = {"__annotations__": dict.fromkeys(names, "int"), **given}
    for base in (Struct, NamedTuple):
        made = type(base)("Made", (base,), dict(body))
        values = tuple(range(count))
        needed = values[: count - len(given)]
        for one in (made(*values), made(**dict(zip(names, values, strict=True)))):
            assert tuple(getattr(one, name) for name in names) == values
        least = made(*needed)
        assert tuple(getattr(least, name) for name in names) == (*needed, *given.values())
        for wrong in ((*values, 1), needed[:-1] if needed else (*values, 1)):
            with pytest.raises(TypeError):
                made(*wrong)
        with pytest.raises(TypeError):
            made(*needed, other=1)
        with pytest.raises(TypeError):
            made(*values, **{names[0]: 1})
