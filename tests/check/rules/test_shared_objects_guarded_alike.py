"""Tests of the rule ``shared-objects-guarded-alike``."""

from __future__ import annotations

import pytest
from contract_fixtures import checked, compiled
from small_device import findings, layout
from verdict_builds import of

RULE = "shared-objects-guarded-alike"
BREAKS = {
    "plain in the station": lambda: of(RULE, "v6", "station-link-plain", "sampler-debug"),
    "plain in the sampler": lambda: of(RULE, "v7", "station-debug", "sampler-link-plain"),
    "a plain member": lambda: of(RULE, "v6", "station-link-members", "sampler-link-member-plain"),
}
KEEPS = {
    "members alike": lambda: of(RULE, "v6", "station-link-members", "sampler-link-members"),
    "volatile on both sides": lambda: of(RULE, "v7", "station-debug", "sampler-debug"),
    "plain on both sides": lambda: of(RULE, "v8", "station-link-plain", "sampler-link-plain"),
    "volatile and atomic": lambda: of(RULE, "v8", "station-debug", "sampler-link-atomic"),
    "Rust": lambda: of(RULE, "v6", "station-c", "sampler-rust"),
    "C++": lambda: of(RULE, "v7", "station-c", "sampler-cxx"),
}


def test_the_plain_side_is_named() -> None:
    """The finding names the build that has the plain object."""
    (finding,) = findings(BREAKS["plain in the station"]())
    assert finding.what.startswith("build station shares link_words as a plain object")


def test_the_plain_member_is_named() -> None:
    """The finding names the member and the build in which it is plain."""
    (finding,) = findings(BREAKS["a plain member"]())
    assert finding.what.startswith("build sampler has link_state.count as a plain member")


CXX = """
namespace std {
template <typename T> struct __atomic_base { T _M_i; };
template <typename T> struct atomic { T _M_i; };
template <> struct atomic<unsigned long> : __atomic_base<unsigned long> { };
}
struct pair { uint16_t low, high; };
extern "C" { TYPE tide __attribute__((section(".link"))); }
"""
"""Atomic types as libstdc++ has them (GCC 12)."""


@pytest.mark.parametrize("names", ["-gno-simple-template-names", "-gsimple-template-names"])
@pytest.mark.parametrize(
    ("source", "count"),
    [
        ("std::atomic<unsigned long>", 0),
        ("std::atomic<pair>", 0),
        ("pair", 1),
    ],
)
def test_an_atomic_type_without_its_arguments(source: str, count: int, names: str) -> None:
    """Compilers can name a template in debug information without what it is made for."""
    options = ("compiler=clang", "--target=arm-none-eabi", "-mthumb", "-march=armv6-m", names)
    station = (
        'struct pair { uint16_t low, high; }; volatile struct pair tide __attribute__((section(".link")));'
    )
    made = (
        compiled("station", station, "-mthumb", "-march=armv8-m.main"),
        compiled("sampler", CXX.replace("TYPE", source), *options, language="c++"),
    )
    assert len(findings(checked(RULE, layout(), *made))) == count
