"""Limits that the source states: tried at both sides here or by the tests that name them."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from both_sides import Limits, assert_both_sides
from records import tide_gauge_record
from seal_keys import key_for, sign_all
from small_device import builds, layout

from gemel.checksums.crc_catalogue import MAX_WIDTH, CrcParameters, parameter_problems
from gemel.cli.main import exit_code
from gemel.cli.options import MAX_SHOWN, address
from gemel.cli.signing.pass_phrases import phrase_of_file
from gemel.errors import MAX_NEAR, MAX_NEAR_LENGTH, GemelError, UsageProblem, nearest_hint
from gemel.files.reading import beginning_of
from gemel.image.gathering import Gathering
from gemel.image.s_record import MAX_HEADER, encode
from gemel.image.sparse import SparseBytes
from gemel.layout.checks.areas import MIN_VECTORS_SIZE
from gemel.layout.rehearsal_model import MAX_BUDGET
from gemel.lookup import annotating
from gemel.lookup.annotating import annotated
from gemel.lookup.facts import Lookup
from gemel.m_profile import capabilities
from gemel.m_profile.architectures import MAX_INTERRUPTS, MAX_INTERRUPTS_ARMV6_M
from gemel.m_profile.code.address_flow import MIN_POINTER, AddressFlow
from gemel.m_profile.code.flow import Flow, Run
from gemel.m_profile.code.sweep import Routine
from gemel.m_profile.code.unmapped import MIN_ALONE, UnmappedCode
from gemel.m_profile.instructions.sieve import Sieve
from gemel.placement.placing import MAX_GAP, too_large_by
from gemel.policy import reader
from gemel.policy.reader import PolicyError, read_policy
from gemel.record.format import MAX_BUILDS, record_size
from gemel.record.record import encode as encode_record
from gemel.seals.cbor import CborError, CborReader, encoded_map
from gemel.seals.cose import MAX_HEADER_ENTRIES
from gemel.seals.keys.algorithms import ALGORITHMS
from gemel.seals.keys.blocks import MAX_KEY_FILE
from gemel.seals.keys.files import load_public_key
from gemel.seals.keys.keys import MAX_PASS_PHRASE
from gemel.seals.reading import HEAD, MAX_PLACES, MAX_SEAL, find_seals
from gemel.seals.seal import bytes_to_sign, seal_size
from gemel.seals.to_be_signed import MAX_REQUEST
from gemel.spans import Span
from gemel.text.demangled import demangled

SOURCE, TESTS = (Path(__file__).resolve().parents[1] / name for name in ("imgtool_src/gemel", "tests"))
LIMIT = re.compile(r"(MAX|MIN)(_[A-Z0-9_]+)?|ROUNDING|PADDING")
OTHERWISE = re.compile(
    r"(LARGEST|LONGEST|MOST|LEAST|WIDEST|DEEPEST|FEWEST|SHORTEST|SMALLEST|FURTHEST|FARTHEST|MANY|DEPTH|SHOWN|ENOUGH)"
    r"(_[A-Z0-9_]+)?|[A-Z0-9_]+_(LIMIT|MAX|MIN|COMPARED)|LOOKED_AT"
)
"""What limits are called elsewhere; here they are MAX and MIN, and what they limit."""
ASSIGNED = re.compile(r"^(_?[A-Z][A-Z0-9_]*(?:, _?[A-Z][A-Z0-9_]*)*)(?:: [^=\n]+)? = ", re.MULTILINE)
"""The constants of a module, or several that one line assigns."""

IMPORTED = re.compile(r"^ *from gemel\.([\w.]+) import (\([^)]*\)|.*)$", re.MULTILINE)

KEY = key_for("Ed25519")


def _holds(what: Callable[[], object], *errors: type[Exception]) -> bool:
    """Whether nothing is refused."""
    try:
        what()
    except errors:
        return False
    return True


def _core(interrupts: int, architecture: str) -> bool:
    changes = {
        'extensions = ["security"]\n': "",
        "interrupts = 16": f"interrupts = {interrupts}",
        "armv8-m.main": architecture,
    }
    return _holds(lambda: layout(changes), GemelError)


def _vectors(size: int) -> bool:
    """Whether the vector table may begin ``size`` bytes before the end of its area."""
    return _holds(
        lambda: layout(
            {'stored_in = "station-code"': f'stored_in = "station-code"\nvector_offset = {0x1000 - size}'}
        ),
        GemelError,
    )


def _header_map(entries: int) -> bool:
    data = encoded_map(dict.fromkeys(range(entries), 0))
    return _holds(lambda: CborReader(data).header_map(MAX_HEADER_ENTRIES), CborError)


def _shown_whole(length: int) -> bool:
    with pytest.raises(UsageProblem) as caught:
        address("x" * length)
    return caught.value.problems[0].found == "x" * length


def _named_in_hint(words: int) -> bool:
    """Whether a hint names as many words as begin with one."""
    hint = nearest_hint("beginning", [f"beginning-{each}" * 2 for each in range(words)])
    return hint.count('"') == 2 * words


def _budget(instructions: int) -> bool:
    return _holds(lambda: layout(add=f"[rehearsal]\nbudget = {instructions}\n"), GemelError)


def _policy_line(length: int) -> bool:
    """Whether a policy may hold a line of ``length`` characters."""
    comment = "#".ljust(length, "x")
    return _holds(lambda: read_policy(f"format = 1\n{comment}\n".encode(), "own.toml", (), ()), PolicyError)


def _looked_for_in_line(length: int) -> bool:
    """Whether an address that ends ``length`` characters from a line's start is looked up."""
    built = builds()
    lookup = Lookup(None, built)
    line = f"0x{built['station'].entry:08x}".rjust(length)
    return " <" in next(annotated([line], lookup, lookup.cores))


def _continues_behind_a_gap(gap: int) -> bool:
    """Whether bytes ``gap`` bytes behind the end of a build's area are what it outgrew the area by."""
    read = layout().layout
    plan = read.builds["station"]
    end = read.span_of(plan.stored_in).end
    return too_large_by(read, plan, [Span(end, 8), Span(end + 8 + gap, 8)]) == Span(end, 16 + gap)


def _seals_found(count: int) -> bool:
    """Whether all of ``count`` places that begin as a seal does are looked at."""
    image = SparseBytes()
    image.write(0x1000_0000, (HEAD + bytes(8)) * count)
    return len(find_seals(image)) == count


def _crc(width: int) -> bool:
    return not parameter_problems(CrcParameters(width, 1, 0, False, False, 0))


MOST: dict[str, tuple[int, Callable[[int], bool]]] = {
    "MAX_WIDTH": (MAX_WIDTH, _crc),
    "MAX_HEADER": (
        MAX_HEADER,
        lambda size: _holds(lambda: encode(SparseBytes(), 0, header="x" * size), ValueError),
    ),
    "MAX_INTERRUPTS": (MAX_INTERRUPTS, lambda number: _core(number, "armv8-m.main")),
    "MAX_INTERRUPTS_ARMV6_M": (MAX_INTERRUPTS_ARMV6_M, lambda number: _core(number, "armv6-m")),
    "MAX_HEADER_ENTRIES": (MAX_HEADER_ENTRIES, _header_map),
    "MAX_KEY_FILE": (
        MAX_KEY_FILE,
        lambda size: _holds(
            lambda: load_public_key(KEY.public_key.to_pem().ljust(size), "key.pem"), GemelError
        ),
    ),
    "MAX_PASS_PHRASE": (
        MAX_PASS_PHRASE,
        lambda size: _holds(lambda: KEY.to_der(b"x" * size), GemelError),
    ),
    "MAX_NEAR_LENGTH": (MAX_NEAR_LENGTH, lambda size: bool(nearest_hint("x" * size, ["x" * (size - 1)]))),
    "MAX_NEAR": (MAX_NEAR, _named_in_hint),
    "MAX_SHOWN": (MAX_SHOWN, _shown_whole),
    "MAX_BUDGET": (MAX_BUDGET, _budget),
    "MAX_LINE of a policy": (reader.MAX_LINE, _policy_line),
    "MAX_LINE of a log": (annotating.MAX_LINE, _looked_for_in_line),
    "MAX_GAP": (MAX_GAP - 1, _continues_behind_a_gap),
    "MAX_PLACES": (MAX_PLACES, _seals_found),
}
"""Each limit with what is taken up to it and no further."""


@pytest.mark.parametrize("name", MOST)
def test_the_most_that_is_taken(name: str) -> None:
    """What a limit allows is taken, and one more is not."""
    most, is_taken = MOST[name]
    assert is_taken(most)
    assert not is_taken(most + 1)


def test_the_least_room_for_vectors() -> None:
    """A vector table that begins with its two first words in the area is taken, one word less is not."""
    assert _vectors(MIN_VECTORS_SIZE)
    assert not _vectors(MIN_VECTORS_SIZE - 4)


def _in_one_write(size: int) -> bool:
    """Whether stretches of ``size`` bytes in sum go into the image together."""
    written: list[int] = []
    gathered = Gathering("x.hex")
    gathered.end_line = 1
    gathered.take(1, 0x1000, bytes(4), 4)
    gathered.take(9, 0x1004, bytes(size - 4), size - 4)
    write = SparseBytes.write

    def noted(image: SparseBytes, address: int, data: bytes) -> None:
        written.append(len(data))
        write(image, address, data)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(SparseBytes, "write", noted)
        gathered.finish(None, 1, "")
    return size in written


def _table_followed(entries: int) -> bool:
    """Whether every entry of a branch table is followed whose index nothing bounds."""
    table = bytes(range(100, 100 + entries)) + b"\0"
    code = b"\xdf\xe8\x00\xf0" + table  # TBB [PC, R0]
    return len(Flow(code.ljust(600, b"\0"), 0x1000).stream(0).branches) == entries


def _image_of(size: int) -> bool:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "image.bin"
        path.write_bytes(bytes(size))
        return _holds(lambda: beginning_of(path, size), UsageProblem)


def _found_near(names: int) -> bool:
    """Whether the last of a folder's names is looked at for one like a missing file's."""
    with TemporaryDirectory() as folder:
        for number in range(names - 1):
            (Path(folder) / f"{number}").touch()
        (Path(folder) / "station.elf").touch()
        with pytest.raises(UsageProblem) as caught:
            beginning_of(Path(folder) / "statin.elf", 1)
        return "station.elf" in caught.value.problems[0].next_step


def _policy(text: str) -> bool:
    return _holds(lambda: read_policy(text.encode(), "own.toml", (), ()), PolicyError)


def _faults(count: int) -> bool:
    """Whether all of ``count`` unknown keys of a policy are reported."""
    with pytest.raises(PolicyError) as caught:
        read_policy(
            ("format = 1\nsigners = 1\n" + "".join(f"k{n} = 1\n" for n in range(count))).encode(),
            "own.toml",
            (),
            (),
        )
    return not any("more than" in problem.what for problem in caught.value.problems)


def _pass_phrase(size: int) -> bool:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "phrase"
        path.write_bytes(b"x" * size)
        return _holds(lambda: phrase_of_file(path, "--pass-phrase-file"), UsageProblem)


def _spelled(size: int) -> bool:
    """Whether a mangled name of so many characters is looked at."""
    name = f"_Z{size - 5}{'g' * (size - 5)}v"
    assert len(name) == size
    demangled.cache_clear()
    return demangled(name) != name


LOWERED: Limits = {
    "policy.reader.MAX_BYTES": (60, lambda size: _policy("format = 1\n#".ljust(size, "x"))),
    "layout.reader.MAX_FAULTS": (3, _faults),
    "cli.signing.pass_phrases.MAX_FILE": (9, _pass_phrase),
    "text.demangled.MAX_NAME": (33, _spelled),
    "image.gathering.MAX_RUN": (16, _in_one_write),
    "files.reading.MAX_IMAGE_BYTES": (16, _image_of),
    "files.reading.MAX_NAMES": (4, _found_near),
    "m_profile.code.flow.MAX_ENTRIES": (4, _table_followed),
}


@pytest.mark.parametrize("name", LOWERED)
def test_both_sides(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """What a lowered limit allows is taken, and one more is not."""
    assert_both_sides(monkeypatch, LOWERED, name)


@pytest.mark.parametrize(("lacking", "told"), [(MIN_ALONE - 1, 0), (MIN_ALONE, MIN_ALONE)])
def test_the_least_that_a_routine_alone_lacks(lacking: int, told: int) -> None:
    """Instructions of a routine that nothing leads to count where there are enough of them."""
    code = b"\x00\xee\x10\x0a" * lacking + b"\x70\x47"  # VMOV S0, R0 and BX LR
    read = UnmappedCode(code, 0x1000, [], [Routine([Run(0, len(code))], True)], (0, len(code), 0), False)
    assert len(list(read.swept_places(Sieve(capabilities.lacking("armv8-m.main", ()))))) == told


@pytest.mark.parametrize(("value", "is_base"), [(MIN_POINTER, True), (MIN_POINTER - 4, False)])
def test_the_least_pointer(value: int, is_base: bool) -> None:
    """An address from the limit on, in another region than the watched one, is the base of something else."""
    flow = AddressFlow((Span(0x5000_0000, 4),), {}, lambda _: None)
    assert flow._is_base(value) == is_base


@pytest.mark.parametrize(("less", "found"), [(0, True), (1, False)])
def test_the_largest_seal(less: int, found: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """A seal of as many bytes as are looked at is read, one of a byte more is not."""
    seal = sign_all(encode_record(tide_gauge_record()), [KEY])
    monkeypatch.setattr("gemel.seals.reading.MAX_SEAL", len(seal) - less)
    assert max(8 * seal_size([algorithm]) for algorithm in ALGORITHMS) < MAX_SEAL
    image = SparseBytes()
    image.write(0x1000_0000, seal)
    assert (find_seals(image)[0].seal is not None) == found


@pytest.mark.parametrize(("less", "code"), [(0, 0), (1, 2)])
def test_the_largest_request(less: int, code: int, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Bytes to be signed are shown up to the limit, which a record of the most builds keeps below."""
    key = KEY.public_key
    data = bytes_to_sign(encode_record(tide_gauge_record()), key.algorithm, key.fingerprint)
    assert record_size(MAX_BUILDS) + 1024 < MAX_REQUEST
    monkeypatch.setattr("gemel.seals.to_be_signed.MAX_REQUEST", len(data) - less)
    path = tmp_path / "station.tbs"
    path.write_bytes(data)
    assert exit_code(["show", str(path), "-o", str(tmp_path / "shown.txt")]) == code


def _limits() -> dict[tuple[str, str], set[str]]:
    """Each limit by the module that assigns it, with the modules that know it by its name: that one and importers."""
    texts = {
        ".".join(file.relative_to(SOURCE).with_suffix("").parts): file.read_text(encoding="utf-8")
        for file in SOURCE.rglob("*.py")
    }
    limits = {
        (module, name): {module}
        for module, text in texts.items()
        for line in ASSIGNED.findall(text)
        for name in line.split(", ")
        if LIMIT.fullmatch(name.lstrip("_"))
    }
    for user, text in texts.items():
        for module, names in IMPORTED.findall(text):
            for name in re.findall(r"\w+", names):
                limits.get((module, name), set()).add(user)
    return limits


def _names(text: str, module: str, limit: str) -> bool:
    """Whether a test takes a limit from this module: by import, as ``module.LIMIT``, or of the imported module."""
    room, _, last = module.rpartition(".")
    if not re.search(rf"\b{limit}\b", text):
        return False
    imported = IMPORTED.findall(text)
    return bool(re.search(rf"\b{last}\.({limit}\b|{{)", text)) or any(
        (at == module and limit in re.findall(r"\w+", names))
        or (at == room and last in re.findall(r"\w+", names))
        for at, names in imported
    )


def test_limits_are_called_max_and_min() -> None:
    """One way to name a limit: ``MAX_`` or ``MIN_``, and what it limits."""
    named = {
        f"{file.relative_to(SOURCE)}: {name}"
        for file in SOURCE.rglob("*.py")
        for line in ASSIGNED.findall(file.read_text(encoding="utf-8"))
        for name in line.split(", ")
        if OTHERWISE.fullmatch(name.lstrip("_")) and not LIMIT.fullmatch(name.lstrip("_"))
    }
    assert named == set()


def test_each_limit_is_named_by_a_test() -> None:
    """A new limit comes with a test of both its sides, which names the limit and a module that has it."""
    texts = [file.read_text(encoding="utf-8") for file in TESTS.rglob("*.py")]
    limits = _limits()
    assert len(limits) > 100
    unnamed = {
        f"{module}.{name}"
        for (module, name), known in limits.items()
        if not any(_names(text, at, name) for text in texts for at in known)
    }
    assert unnamed == set()
