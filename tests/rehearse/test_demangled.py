"""Names of functions as sources spell them; the raw name where nothing tells."""

from __future__ import annotations

import re
import subprocess

import pytest
from tools import required_tool

from gemel.text import demangled as module
from gemel.text.demangled import demangled

NAMES = (
    "_ZN5Gauge4readEv",
    "_ZN4tide5GaugeC2Ei",
    "_ZN4tide5GaugeD1Ev",
    "_ZNK4tide5Gauge4nameEPKc",
    "_ZdlPvj",
    "_ZThn8_N1A1fEv",
    "_ZN12_GLOBAL__N_13sayERK5Gauge",
    "_ZSt4moveIRiEONSt16remove_referenceIT_E4typeEOS2_",
    "_ZN5Gauge4readEv.isra.0",
    "_ZN5Gauge4readEv.constprop.0.cold",
    "_ZN4tide5GaugeC2Ei.part.0",
    "_ZN12_GLOBAL__N_14levelEv.lto_priv.0",
    "_ZZ4levelvENKUliE_clEi",
    "_ZZZ5levelvENKUliE_clEiENKUlcE0_clEc",
    "_ZNSt8_Rb_treeIjSt4pairIKjjESt10_Select1stIS2_ESt4lessIjESaIS2_EE8_M_eraseEPSt13_Rb_tree_nodeIS2_E",
    "_ZZ4levelvE5count",
    "_ZGVZ4levelvE5gauge",
    "_ZTV5Gauge",
    "_ZNSt6vectorIN12_GLOBAL__N_15GaugeESaIS1_EE17_M_realloc_insertIJRKS1_EEEvN9__gnu_cxx17__normal_iteratorIPS1_S3_EEDpOT_",
)


@pytest.mark.parametrize("name", NAMES)
def test_names_are_those_of_binutils(name: str) -> None:
    """The same text as c++filt of binutils gives, but for what it calls lambdas and clones of a function."""
    pytest.importorskip("pydemumble", reason="the extra rehearse is not installed whole")
    done = subprocess.run(
        [required_tool("arm-none-eabi-c++filt"), name], capture_output=True, text=True, check=True
    )
    expected = re.sub(r"\{lambda(\(.*?\))#1\}", r"'lambda'\1", done.stdout.strip())
    expected = re.sub(r"\{lambda(\(.*?\))#2\}", r"'lambda0'\1", expected)
    expected = re.sub("> (?=>)", ">", expected)
    expected = expected.replace("] [clone ", "").replace("[clone ", "(").replace("]", ")")
    assert demangled(name) == expected


def test_rust_names_lose_their_hash() -> None:
    """The older scheme ends in a hash that no source holds, the newer one has it in the names of crates."""
    pytest.importorskip("pydemumble", reason="the extra rehearse is not installed whole")
    assert demangled("_ZN4core3fmt9Formatter3pad17h0123456789abcdefE") == "core::fmt::Formatter::pad"
    assert (
        demangled("_RNvXs_NtCs5bUE3vf0DXq_4core3fmtmNtB4_7Display3fmt") == "<u32 as core::fmt::Display>::fmt"
    )


@pytest.mark.parametrize(
    "name",
    [
        "main",
        "_Reset",
        "_R",
        "_RNv",
        "_Z",
        "_ZN",
        "_ZN5",
        "_Z" + "N" * 999,
        "_ZN" + "1a" * 3000 + "E",
        "_Z\u202e",
    ],
)
def test_other_names_stay(name: str) -> None:
    """C names, broken and overlong ones are given as they are."""
    assert demangled(name) == name


def test_without_the_library_names_stay(monkeypatch: pytest.MonkeyPatch) -> None:
    """The demangler is no condition of a rehearsal."""
    monkeypatch.setattr(module, "_demangler", lambda: None)
    demangled.cache_clear()
    assert demangled(NAMES[0]) == NAMES[0]
    demangled.cache_clear()


@pytest.mark.parametrize("limit", ["MAX_SPELLED", "MAX_NAME"])
def test_each_limit_has_two_sides(limit: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A name is spelled out from some limit on, and by one less it is not; the limits are far above that."""
    name = NAMES[0]

    def spelled(most: int) -> bool:
        monkeypatch.setattr(module, limit, most)
        demangled.cache_clear()
        return demangled(name) != name

    assert getattr(module, limit) > 2 * (least := next(most for most in range(2000) if spelled(most)))
    assert not spelled(least - 1)
    demangled.cache_clear()


def doubled(levels: int) -> str:
    """A function whose argument doubles at each level: two references each (Itanium C++ ABI, 5.1.8)."""
    names = ["S_", *(f"S{digit}_" for digit in "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ")]
    return "_Z1f1a" + "".join(f"PFv{names[2 * level]}{names[2 * level]}E" for level in range(levels))


def tuples(levels: int) -> str:
    """A Rust function with a tuple of a tuple, twice each: references by place, in base 62 (Rust's RFC 2603)."""
    name, place = "INvC1a1f", 0
    for level in range(levels):
        high, low = divmod(place - 1, 62)
        twice = f"B{_DIGITS[high] * (high > 0)}{_DIGITS[low]}_" * 2 if level else "uu"
        name, place = f"{name}T{twice}E", len(name)
    return f"_R{name}E"


_DIGITS = "0123456789abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ"
ARGUMENTS = "PFvT_T_E" * 3
GROWING = {
    "doubled": doubled,
    "tuples": tuples,
    "packs": lambda count: f"_Z1fIJ{'i' * count}EEvDpPFvT_DpT_E",
    "words of constants": lambda count: "_Z1f" + "".join("8STATUS_S" for _ in range(count)),
}


@pytest.mark.parametrize("way", GROWING)
@pytest.mark.parametrize("size", range(2, 17))
def test_no_name_stands_for_more_than_its_bound(way: str, size: int) -> None:
    """What is spelled out is never longer than what was allowed for it, and the longest names are not."""
    pytest.importorskip("pydemumble", reason="the extra rehearse is not installed whole")
    name = GROWING[way](size)
    assert len(demangled(name)) <= module._at_most(name)
    if way == "doubled":
        assert (demangled(name) == name) == (size > 6)
    if way == "tuples":
        assert (demangled(name) == name) == (size > 7)


OF_BYTES = {
    "_ZN2\u00e91aE": "\u00e9::a",
    "_Z3\u2713v": "\u2713()",
    "_Z1\u00e9": "_Z1\u00e9",
    "_Z3\ud800": "_Z3\ud800",
}


@pytest.mark.parametrize("name", OF_BYTES)
def test_lengths_count_bytes(name: str) -> None:
    """A name in UTF-8 is spelled out by its bytes; one that ends inside a character, or is no UTF-8, stays."""
    pytest.importorskip("pydemumble", reason="the extra rehearse is not installed whole")
    assert demangled(name) == OF_BYTES[name]
