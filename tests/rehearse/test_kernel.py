"""A preemptive kernel on both cores, C libraries and C++: the rehearsal passes and prints what the board prints."""

from __future__ import annotations

from pathlib import Path

import pytest
from kernel_products import kernel_texts, library_texts, product, variants
from rehearsals import Case
from rehearse.differential.board import run_on_board
from rehearse.differential.judge import image_bytes
from small_device import TODAY
from verdict_builds import broken_in

from gemel.checking.runner import check as apply_rules
from gemel.inspection.inspection import Inspection
from gemel.layout.reader import read_layout
from gemel.rehearsal.emulator.fine_watches import WATCHES
from gemel.rehearsal.session import RehearsalOptions, rehearse

PROFILES = ("mainline", "v7e-m", "small")
PAIRS = [
    (profile, station, sampler)
    for profile in PROFILES
    for station, sampler in zip(variants(profile), reversed(variants(profile)), strict=True)
]
"""Each build once a core: one core's by one compiler and level, the other's by another."""
LIBRARIES = [(name, core) for name in ("newlib", "picolibc", "cpp") for core in ("station", "sampler")]


def library(name: str, core: str) -> Case:
    """The product whose ``core`` runs that program."""
    names = {"station": "plain", "sampler": "plain", core: name}
    return product("libraries", names["station"], names["sampler"])


@pytest.mark.parametrize(
    ("profile", "station", "sampler"),
    [
        *PAIRS,
        *(("libraries", name, "plain") for name in variants("libraries")),
        *(("libraries", "plain", name) for name in variants("libraries", "sampler")),
    ],
)
def test_no_rule_refuses_them(profile: str, station: str, sampler: str) -> None:
    """Of picolibc's table of 16 words one has a warning, without the builds too; nothing is said of the others."""
    case = product(profile, station, sampler)
    for builds in (case.builds, {}) if "picolibc" in (station, sampler) else (case.builds,):
        result = apply_rules(Inspection(case.read, case.image, builds, disassemble=True), TODAY)
        assert broken_in(result) == (
            {"required-handlers-present": 1} if "picolibc" in (station, sampler) else {}
        )
        assert result.passes


def check(case: Case, expected: dict[str, str], **options: object) -> None:
    """The rehearsal passes without a finding, and the ports say exactly what they must."""
    result = case.rehearse(**options)
    assert [(finding.kind, finding.core, finding.what) for finding in result.findings] == []
    assert result.passes
    assert result.texts == expected


@pytest.mark.parametrize(("profile", "station", "sampler"), PAIRS)
def test_kernel_passes_with_its_text(profile: str, station: str, sampler: str) -> None:
    """Every build of both cores passes; switches, queues, locks and float registers leave the numbers right."""
    check(product(profile, station, sampler), kernel_texts())


@pytest.mark.parametrize("station", ["gcc-O0", "gcc-lto", "clang-O2"])
def test_board_prints_the_same(station: str, tmp_path: Path) -> None:
    """The board prints what plain arithmetic says, so that both rehearsal and board are compared with it."""
    sampler = variants("mainline")[variants("mainline").index(station) - 1]
    image = tmp_path / "image.bin"
    image.write_bytes(image_bytes(product("mainline", station, sampler)))
    assert run_on_board(image, tmp_path, finishes=True).texts == kernel_texts()


@pytest.mark.parametrize(("name", "core"), LIBRARIES)
def test_libraries_pass_with_their_text(name: str, core: str, tmp_path: Path) -> None:
    """C++ with exceptions and printf of numbers: board, rehearsal and reference agree."""
    case = library(name, core)
    image = tmp_path / "image.bin"
    image.write_bytes(image_bytes(case))
    assert run_on_board(image, tmp_path, finishes=True).texts == library_texts(name, core)
    check(case, library_texts(name, core))


def test_functions_of_cpp_are_named_as_in_the_source() -> None:
    """Functions in nameless namespaces, templates, clones and constructors: none is left mangled."""
    pytest.importorskip("pydemumble", reason="the extra rehearse is not installed whole")
    station, _ = library("cpp", "station").rehearse().cores
    assert [each for each in station.functions if each.startswith("_Z")] == []
    assert "(anonymous namespace)::deep(unsigned int, unsigned int) (.isra.0)" in station.functions


def test_an_exception_that_nothing_catches_ends_its_task() -> None:
    """With a goal or without: where it is thrown is named, though ticks and another task go on; the other is caught."""
    case = product("libraries", "uncaught", "uncaught")
    goals = case.read.text.index("[[rehearsal.goal]]"), case.read.text.index("[[rehearsal.serial]]")
    without = Case(case.read.text[: goals[0]] + case.read.text[goals[1] :], case.elves)
    for product_case in (case, without):
        findings = product_case.rehearse(budget=3_000_000).findings
        (finding,) = [each for each in findings if each.core == "station"]
        assert finding.kind == "endless-loop"
        assert finding.what.startswith(
            "core station stays in _exit: an exception that nothing catches, in measure_for_ever()"
        )
        assert {each.kind for each in findings if each.core == "sampler"} <= {"goal-not-reached"}
        assert "std::terminate() + " in " ".join(each.function for each in finding.calls)


@pytest.mark.parametrize("watch", WATCHES)
@pytest.mark.parametrize(("name", "core"), LIBRARIES)
def test_libraries_under_every_watch(name: str, core: str, watch: str) -> None:
    """A watch changes no result: conditional code with memory accesses runs as without it."""
    result = library(name, core).rehearse(watches=(watch,))
    assert result.texts == library_texts(name, core)
    assert [finding for finding in result.findings if finding.severity == "error"] == []


@pytest.mark.parametrize(("name", "core"), LIBRARIES)
def test_libraries_within_the_stack_they_use(name: str, core: str) -> None:
    """The bytes that a rehearsal says are used are a sound limit, and a word less is none."""
    case = library(name, core)
    (used,) = [each.stack_used for each in case.rehearse().cores if each.name == core]
    assert used
    for size in (used, used - 4):
        text = f"{case.read.text}\n[rehearsal.stack_size]\n{core} = {size}\n"
        options = RehearsalOptions(isolate=False)
        read = read_layout(text.encode(), "layout.toml")
        finding = rehearse(read, case.image, case.builds, options, case.sources).finding("below-stack-limit")
        assert (finding and finding.core) == (None if size == used else core)


@pytest.mark.parametrize("watch", WATCHES)
@pytest.mark.parametrize("profile", PROFILES)
def test_kernel_under_every_watch(profile: str, watch: str) -> None:
    """The kernel's switches survive each watch."""
    result = product(profile, "gcc-O2", "clang-O3").rehearse(watches=(watch,))
    assert result.texts == kernel_texts()
    assert [finding for finding in result.findings if finding.severity == "error"] == []
