"""The exported C reader's step from record to seal: compiled, and run against the Python decoder."""

from __future__ import annotations

import re
import struct
import subprocess
from pathlib import Path

import pytest
from c_hosts import HOSTS, SANITIZERS, WARNINGS, compile_
from c_reader_verdicts import RECORD, seal_verdict
from damaged_seals import Case, cases
from elftools.elf.elffile import ELFFile

from gemel.export.c_reader import FILE_NAME, HEAD, SEAL_ERRORS, SIGNED_HEAD, c_name, c_reader, prefix_size
from gemel.record.format import MAX_BUILDS, record_size
from gemel.seals.keys.algorithms import ALGORITHMS
from gemel.seals.seal import bytes_to_sign

ROOT = Path(__file__).parents[2]
SOURCE = str(ROOT / "tests/export/c/seal.c")
CASES, SEED = 12_000, 20_261_124
CODES = {name: code for name, (code, _) in SEAL_ERRORS.items()}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the exported header, the record, and the example that the seal's comment gives."""
    folder = tmp_path_factory.mktemp("c-seal-reader")
    header = c_reader()
    (folder / FILE_NAME).write_text(header, encoding="utf-8", newline="\n")
    (folder / "record").write_bytes(RECORD)
    comment = header[header.index("The step from the record to its seal") :]
    example = comment[comment.index(" *     static int") : comment.index(" * `record` is one")]
    code = re.sub(r"^ \*( {5})?", "", example, flags=re.MULTILINE)
    user = (
        "int seal_is_good(const struct gemel_record *record, const void *area, const uint8_t *key,\n"
        "                 int (*verify)(const uint8_t *signature, const uint8_t *bytes, size_t size));\n"
        "int seal_is_good(const struct gemel_record *record, const void *area, const uint8_t *key,\n"
        "                 int (*verify)(const uint8_t *signature, const uint8_t *bytes, size_t size))\n"
        "{\n    return seal_holds(record, area, 4096u, key, verify);\n}\n"
    )
    (folder / "example.c").write_text(f'#include "{FILE_NAME}"\n\n{code}\n{user}', encoding="utf-8")
    return folder


def built(folder: Path, compiler: str, name: str, *options: str) -> Path:
    """The host program, built with the exported header."""
    compile_(folder, compiler, "-std=c99", *WARNINGS, *options, "-I.", SOURCE, "-o", name)
    return folder / name


@pytest.mark.parametrize(("compiler", "options"), HOSTS, ids=[" ".join([c, o[-1]]) for c, o in HOSTS])
def test_the_example_compiles_for_the_host(folder: Path, compiler: str, options: list[str]) -> None:
    """The comment's example compiles as C and as C++ with every warning an error."""
    compile_(folder, compiler, *options, "-O2", *WARNINGS, "-c", "example.c", "-o", "example.o")


@pytest.mark.parametrize("architecture", ["armv6-m", "armv7e-m", "armv8-m.base", "armv8-m.main"])
@pytest.mark.parametrize("level", ["-O0", "-Os"])
def test_the_example_compiles_for_the_target(folder: Path, architecture: str, level: str) -> None:
    """Freestanding it needs nothing but memory functions, and holds no memory but the example's buffer."""
    target = ["-mthumb", f"-march={architecture}", "-ffreestanding", "-std=c99"]
    compile_(folder, "arm-none-eabi-gcc", *target, level, *WARNINGS, "-c", "example.c", "-o", "target.o")
    with (folder / "target.o").open("rb") as file:
        elf = ELFFile(file)
        symbols = list(elf.get_section_by_name(".symtab").iter_symbols())
        data, bss = (elf.get_section_by_name(name) for name in (".data", ".bss"))
        assert data is None or data["sh_size"] == 0
        assert bss["sh_size"] == max(map(prefix_size, ALGORITHMS)) + record_size(MAX_BUILDS)
    undefined = {symbol.name for symbol in symbols if symbol["st_shndx"] == "SHN_UNDEF"} - {""}
    assert undefined <= {"memset", "memcpy", "memcmp", "memmove"}


def test_it_takes_as_little_stack_as_it_says(folder: Path) -> None:
    """The deepest calls of the seal's functions, unoptimised, take less than the comment's 256 bytes."""
    target = ["-mthumb", "-march=armv6-m", "-ffreestanding", "-std=c99", "-O0", "-fstack-usage"]
    compile_(folder, "arm-none-eabi-gcc", *target, "-c", "example.c", "-o", "stack.o")
    lines = [line.split("\t") for line in (folder / "stack.su").read_text("utf-8").splitlines()]
    used = {place.rpartition(":")[2]: int(size) for place, size, _ in lines}
    for chain in (
        "seal_check signers_in_order seal_signer signer_at starts_with",
        "seal_signed seal_prefix",
    ):
        assert sum(used[f"gemel_{name}"] for name in chain.split()) < 256
    assert "less than 256 bytes" in c_reader()


def test_constants_are_those_of_the_format() -> None:
    """Every algorithm of the registry has its number and its size, and the fixed parts are the format's."""
    header = c_reader()
    for algorithm in ALGORITHMS:
        assert f"#define {c_name(algorithm)} ({algorithm.cose_id})" in header
        assert f"    case {c_name(algorithm)}:\n        return {algorithm.signature_size}u;" in header
        assert -256 <= algorithm.cose_id <= -1, "the reader knows one and two bytes of negative numbers"
        assert 24 <= algorithm.signature_size < 1 << 16, "and two or three bytes of a signature's head"
    assert re.findall(r"GEMEL_SEAL_\w+ \(-\d+\)", header) == [
        f"{c_name(algorithm)} ({algorithm.cose_id})" for algorithm in ALGORITHMS
    ]
    assert 256 <= record_size(1) < record_size(MAX_BUILDS) < 1 << 16, "a record's head has two bytes of size"
    signed = bytes_to_sign(RECORD, ALGORITHMS[0], bytes(32))
    assert signed.startswith(SIGNED_HEAD)
    for name, (code, text) in SEAL_ERRORS.items():
        assert f"GEMEL_SEAL_{name} = {code}" in header
        assert f'return "{text}";' in header
    assert len(HEAD) > 30


def write_cases(path: Path, areas: list[Case]) -> Path:
    """A file of cases for the host program."""
    path.write_bytes(b"".join(struct.pack("<II", len(case.area), case.erased) + case.area for case in areas))
    return path


@pytest.fixture(scope="module")
def damaged(folder: Path) -> tuple[list[str], Path]:
    """Python's verdict on each damaged seal, and a file with all of them for the host program."""
    areas = list(cases(CASES, SEED))
    return [seal_verdict(case) for case in areas], write_cases(folder / "cases", areas)


def test_damaged_seals_reach_every_verdict(damaged: tuple[list[str], Path]) -> None:
    """The cases are worth running: each verdict and each algorithm, among sound seals, occurs often."""
    for name in SEAL_ERRORS:
        assert sum(line.startswith(f"{CODES[name]} ") for line in damaged[0]) >= 150, name
    sound = [line for line in damaged[0] if line.startswith("0 ")]
    for algorithm in ALGORITHMS:
        assert sum(f" {algorithm.cose_id} " in line for line in sound) >= 100, algorithm


@pytest.mark.parametrize(
    ("compiler", "options"),
    [("gcc", SANITIZERS), ("gcc", ["-O2"]), ("clang", ["-O2"])],
    ids=["gcc sanitizers", "gcc -O2", "clang -O2"],
)
def test_damaged_seals(
    folder: Path, damaged: tuple[list[str], Path], compiler: str, options: list[str]
) -> None:
    """On thousands of damaged seals C and Python give one verdict and the same signers and signed bytes."""
    program = built(folder, compiler, f"seal-{compiler}{options[-1]}", *options)
    done = subprocess.run(
        [program, folder / "record", damaged[1]], capture_output=True, text=True, check=False, timeout=300
    )
    assert done.stderr == ""
    assert done.returncode == 0
    lines = done.stdout.splitlines()
    assert len(lines) == CASES
    for number, (expected, line) in enumerate(zip(damaged[0], lines, strict=True)):
        assert line == expected, f"case {number}"


BLUNDERS = {
    "signature past the end": ("size - at < signer->signature_size", "0"),
    "key id past the end": ("size - at < GEMEL_SEAL_KEY_ID_SIZE + 4u", "0"),
    "signer's head past the end": ("size < 7u || bytes[0] != 0x83u", "bytes[0] != 0x83u"),
    "more signers than a seal has": ("|| seal->signer_count > GEMEL_SEAL_MAX_SIGNERS", ""),
    "no signer": ("bytes[sizeof head] <= 0x80u || ", ""),
    "bytes after not looked at": ("if (bytes[at] != erased_byte) {", "if (0) {"),
    "order not looked at": ("!gemel_header_before(&earlier, &later)", "0"),
    "a key twice not looked at": (
        "|| gemel_starts_with(earlier.key_id",
        "|| (0) * gemel_starts_with(earlier.key_id",
    ),
    "header's size not looked at": ("|| bytes[2] != signer->header_size", ""),
    "unprotected header not looked at": ("if (bytes[at] != 0xA0u) {", "if (0) {"),
    "long form of a short number": ("bytes[5] == 0x38u && bytes[6] >= 24u", "bytes[5] == 0x38u"),
    "an area of just the head": ("size <= sizeof head || ", ""),
}
"""Checks of the reader, each with what it would be if somebody had forgotten it."""

ONLY_BY_MEANING = {"an area of just the head", "long form of a short number"}
"""Blunders for which chance makes too few cases: ``CORNERS`` has them."""


def corners() -> list[Case]:
    """Areas at the seams: cut at every byte, one byte too long, numbers written in a longer form."""
    whole = (
        bytes.fromhex("8358 26 A201 26 0458 20".replace(" ", "")) + bytes(32) + b"\xa0\x58\x40" + bytes(64)
    )
    one = HEAD + b"\x81" + whole
    areas = [one[:size] for size in range(len(one) + 1)]
    areas += [one + b"\0", one + b"\xff", HEAD + b"\x80" + whole, HEAD + b"\x82" + whole]
    areas += [
        HEAD
        + b"\x81"
        + whole.replace(b"\xa2\x01\x26", b"\xa2\x01\x38\x06").replace(b"\x58\x26", b"\x58\x27", 1)
    ]
    areas += [b"", b"\xff", b"\0", b"\xff" * 300]
    return [Case(area, erased) for area in areas for erased in (0xFF, 0)]


def test_corners(folder: Path, tmp_path: Path) -> None:
    """A seal cut at every byte, and numbers in forms that are not the shortest, get Python's verdict too."""
    program = built(folder, "gcc", "corners", *SANITIZERS)
    path = write_cases(tmp_path / "corners", corners())
    done = subprocess.run([program, folder / "record", path], capture_output=True, text=True, check=False)
    assert (done.stderr, done.returncode) == ("", 0)
    assert done.stdout.splitlines() == [seal_verdict(case) for case in corners()]
    assert done.stdout.count(" sound\n") == 4


@pytest.mark.parametrize("name", BLUNDERS)
def test_a_forgotten_check_would_be_seen(
    folder: Path, damaged: tuple[list[str], Path], tmp_path: Path, name: str
) -> None:
    """A reader without one of its checks is caught by a sanitizer or by a verdict."""
    right, wrong = BLUNDERS[name]
    header = c_reader()
    assert header.count(right) == 1
    (tmp_path / FILE_NAME).write_text(header.replace(right, wrong), encoding="utf-8")
    compile_(tmp_path, "gcc", "-std=c99", *SANITIZERS, "-I.", SOURCE, "-o", "blunder")
    expected, path = damaged
    if name in ONLY_BY_MEANING:
        expected, path = (
            [seal_verdict(case) for case in corners()],
            write_cases(tmp_path / "corners", corners()),
        )
    done = subprocess.run(
        [tmp_path / "blunder", folder / "record", path],
        capture_output=True,
        text=True,
        errors="replace",
        check=False,
        timeout=300,
    )
    same = done.stdout.splitlines() == expected
    assert "ERROR: AddressSanitizer" in done.stderr or "runtime error" in done.stderr or not same
