"""Documents and texts below 1 MB that once took seconds to hours: each ends within 2 s, by answer or error."""

from __future__ import annotations

import base64
import io
import json
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from debug_of_any_size import PRODUCER, packed, station, unit
from elf_writer import SegmentSpec, SymbolSpec, elf
from releases import release_folder
from sealed_device import BUILDS, Run, run_here, write_device, write_key
from seconds import within
from small_device import joined, station_elf

from gemel.image.intel_hex import encode
from gemel.lookup import annotating
from gemel.text.demangled import demangled

AT_TEXTS = b"\x01\x11\0\x25\x0e\0\0\0"
"""The same with a producer in .debug_str."""
DEVICE = (
    "<device><name>D</name><peripherals><peripheral><name>P0</name><baseAddress>0x0</baseAddress><registers>"
)
DERIVED = '<peripheral derivedFrom="P0"><name>Q{}</name><baseAddress>0x40000000</baseAddress></peripheral>'


def register(number: int, more: str = "") -> str:
    """A register of a device description."""
    return f"<register><name>R{number}</name>{more}<addressOffset>{4 * number}</addressOffset></register>"


def derived_peripherals() -> str:
    """Thousands of peripherals, each with the registers of one."""
    first = "".join(map(register, range(2000)))
    rest = "".join(DERIVED.format(number) for number in range(8000))
    return f"{DEVICE}{first}</registers></peripheral>{rest}</peripherals></device>"


def arrays() -> str:
    """Arrays of registers with as many elements as are read."""
    more = "<dim>4096</dim><dimIncrement>4</dimIncrement>"
    first = "".join(
        register(number, more).replace(f">R{number}<", f">R{number}_%s<") for number in range(5000)
    )
    return f"{DEVICE}{first}</registers></peripheral></peripherals></device>"


MAPS: dict[str, Callable[[], str]] = {
    "empty lines": lambda: "\n" * 900_000,
    "empty lines with blanks": lambda: " \n" * 450_000,
    "heads of tables": lambda: "\nMemory Configuration\n\nName Origin Length\n" * 20_000,
}
DESCRIPTIONS = {"derived peripherals": derived_peripherals, "arrays": arrays}


def repeating(levels: int) -> str:
    """A C++ name of a dozen characters a level, each of which doubles what it stands for (Itanium C++ ABI, 5.1.8)."""
    digits = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
    return "_Z1f1AIiE" + "".join(f"S_IS{digits[level]}_S{digits[level]}_E" for level in range(levels))


NAMES = (
    repeating(30),
    "_Z1f" + "P" * 390 + "i",
    *(f"_Z1f{'P' * 20}3{chr(97 + number % 26)}{number:02}" for number in range(99)),
)
SYMBOLS = tuple(
    SymbolSpec(name, 0x1000_0001 + 2 * number, 2)
    for number, name in enumerate((*NAMES, "ram" * 300, "_" * 900))
)
UNITS: dict[str, Callable[[], dict[str, bytes]]] = {
    "blanks of a producer": lambda: one_unit(b" " * 900_000),
    "digits of a producer": lambda: one_unit(b"1" * 900_000),
    "many units": lambda: {
        ".debug_info": b"".join(unit(b"\x01p%d\0l-1.%d/a\0" % (number, number)) for number in range(30_000)),
        ".debug_abbrev": PRODUCER,
    },
    "one long text for all units": lambda: {
        ".debug_info": b"".join(unit(b"\x01" + number.to_bytes(4, "little")) for number in range(30_000)),
        ".debug_abbrev": AT_TEXTS,
        ".debug_str": b"x" * 400_000 + b"\0",
    },
    "compressed units": lambda: {
        ".zdebug_info": packed(unit(b"\x01p\0n\0") + bytes(1 << 29)),
        ".debug_abbrev": PRODUCER,
    },
    "thousands of attributes": lambda: {
        ".debug_info": unit(b"\x01") * 60_000,
        ".debug_abbrev": b"\x01\x11\0" + b"\x25\x21\x01" * 1000 + b"\0\0\0",
    },
}


def one_unit(producer: bytes) -> dict[str, bytes]:
    """One unit with this producer."""
    return {".debug_info": unit(b"\x01" + producer + b"\0n\0"), ".debug_abbrev": PRODUCER}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small device without a seal, and a release of it in ``out``."""
    folder = release_folder(tmp_path_factory.mktemp("documents")).parent
    write_device(folder, "")
    write_key(folder / "a.pem")
    return folder


@pytest.fixture
def gemel(folder: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> Run:
    """Runs one command line in the folder, within its time."""
    monkeypatch.chdir(folder)
    run = run_here(capfd)

    def bounded(*words: str | Path):  # type: ignore[no-untyped-def]
        with within(2):
            ended = run(*words)
        assert "fault in gemel" not in ended.err, words
        return ended

    return bounded


@pytest.mark.parametrize("name", MAPS)
def test_a_link_map_ends_in_time(gemel: Run, name: str) -> None:
    """The attack: 900 KB of line ends took hours, since each was looked at as the start of all that follow."""
    Path("x.map").write_text(MAPS[name](), encoding="utf-8")
    assert gemel("draft", *BUILDS, "--map", "x.map").code == 2


@pytest.mark.parametrize("name", DESCRIPTIONS)
def test_a_device_description_ends_in_time(gemel: Run, name: str) -> None:
    """The attack: registers are read once for each peripheral that is derived, and for each element of an array."""
    Path("x.svd").write_text(DESCRIPTIONS[name](), encoding="utf-8")
    ended = gemel("draft", *BUILDS, "--svd", "x.svd")
    assert (ended.code, "more than 200,000 registers" in ended.err) == (2, True)


def test_names_that_repeat_themselves(gemel: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    """The attack: 417 characters of a C++ name stand for terabytes; such names stay as the file has them."""
    assert demangled(repeating(3)) != repeating(3)
    assert demangled(NAMES[0]) == NAMES[0]
    Path("x.elf").write_bytes(station_elf(symbols=SYMBOLS))
    lines = "".join(f"{0x1000_0000 + number:08x}\n" for number in range(100_000))
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(lines.encode())))
    ended = gemel("where", "station=x.elf", "-")
    assert (ended.code, NAMES[0] in ended.out) == (0, True)
    assert gemel("where", "station=x.elf", "A::f").code == 2
    assert gemel("draft", "station=x.elf", "sampler=sampler.elf").code < 2


OVERLAPPING = {
    "functions": [
        SymbolSpec("f", 0x1000_0001 + 8 * number, 2 if number else 80_000) for number in range(10_000)
    ],
    "objects": [
        SymbolSpec("o", 0x1000_0000 + 8 * number, 2 if number else 80_000, "object")
        for number in range(10_000)
    ],
    "weak names": [SymbolSpec("w", 0x1000_0001, 80_000, binding="weak") for _ in range(10_000)],
}


@pytest.mark.parametrize("kind", OVERLAPPING)
def test_names_that_overlap(gemel: Run, kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """The attack: an address inside one long function is looked for in all the short ones before it: minutes."""
    Path("x.elf").write_bytes(elf([SegmentSpec(0x1000_0000, bytes(80_000))], symbols=OVERLAPPING[kind]))
    lines = "".join(f"{0x1000_0004 + 2 * number:08x}\n" for number in range(39_000))
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(lines.encode())))
    ended = gemel("where", "station=x.elf", "-")
    assert (ended.code, ended.out.count(f"<{kind[0]}")) == (0, 39_000)


def test_one_name_of_many_symbols(gemel: Run) -> None:
    """The attack: 30,000 definitions of the symbol that the contract names were each ranked against all: 14 s."""
    same = tuple(SymbolSpec("link_frames", 0x2000_0000 + at, 4, "object") for at in range(30_000))
    Path("x.elf").write_bytes(station_elf(symbols=same))
    Path("x.hex").write_bytes(b"".join(encode(joined().image)))
    ended = gemel("check", "small.toml", "x.hex", "station=x.elf", "sampler=sampler.elf", "--all")
    assert ended.code == 0
    assert gemel("compare", "small.toml", "x.hex", "x.hex", "station=x.elf").code == 0


def test_sections_in_no_segment(gemel: Run) -> None:
    """The attack: each of 16,000 sections was looked for in 1,024 segments that are of the first ones: 14 s."""
    sections = tuple((".bss", number * 0x9E37_79B1 % (1 << 32), 16) for number in range(16_000))
    Path("x.elf").write_bytes(station_elf(extra=(SegmentSpec(0x2000_0000, flags="rw", sections=sections),)))
    Path("x.hex").write_bytes(b"".join(encode(joined().image)))
    assert gemel("check", "small.toml", "x.hex", "station=x.elf", "sampler=sampler.elf").code == 1
    assert gemel("compare", "small.toml", "x.hex", "x.hex", "station=x.elf").code == 0


@pytest.mark.parametrize(("less", "spelled"), [(0, True), (1, False)])
def test_the_longest_names_together(
    less: int, spelled: bool, gemel: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As many characters as MAX_TEXT_IN_ALL are spelled out, one more is not: of a text, and for a name."""
    name = "_ZN5gauge4readEv"
    for module, times in (("annotating", 2), ("build_names", 1)):
        monkeypatch.setattr(f"gemel.lookup.{module}.MAX_TEXT_IN_ALL", times * (len(name) - less))
    Path("x.elf").write_bytes(station_elf(symbols=(SymbolSpec(name, 0x1000_0011, 2),)))
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(b"10000010\n")))
    assert ("gauge::read" in gemel("where", "station=x.elf", "-").out) == spelled
    assert gemel("where", "station=x.elf", "gauge::read").code == (0 if spelled else 2)


LONG_NAMES = {"of C": "n" * 900, "of C++": repeating(4)}


@pytest.mark.parametrize("name", LONG_NAMES)
def test_long_names_at_many_addresses(gemel: Run, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    """The attack: one long name at each of 110,000 addresses made a page of hundreds of megabytes."""
    symbols = [SymbolSpec(LONG_NAMES[name], 0x1000_0001, 240_000)]
    Path("x.elf").write_bytes(elf([SegmentSpec(0x1000_0000, bytes(240_000))], symbols=symbols))
    lines = "".join(f"{0x1000_0000 + 2 * number:08x}\n" for number in range(110_000))
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(lines.encode())))
    ended = gemel("where", "station=x.elf", "-")
    assert (ended.code, len(ended.out) < 20_000_000) == (0, True)
    first, *_, last = ended.out.splitlines()
    shown = LONG_NAMES[name] if name == "of C" else demangled(LONG_NAMES[name])
    assert first == f"10000000 <{shown}>", "whole names, for as many as people read"
    said = last.partition("<")[2].rstrip(">")
    assert (len(said), said.endswith(" + 219998"), "..." in said) == (annotating.LONG_NAME, True, True)


@pytest.mark.parametrize("less", [0, 1])
def test_names_are_whole_up_to_a_limit(gemel: Run, monkeypatch: pytest.MonkeyPatch, less: int) -> None:
    """Names longer than LONG_NAME are whole while LONG_NAMES_IN_ALL has room for them; shorter ones always are."""
    long, short = "n" * (annotating.LONG_NAME + 1), "s" * annotating.LONG_NAME
    monkeypatch.setattr(annotating, "LONG_NAMES_IN_ALL", len(long) - less)
    symbols = [SymbolSpec(long, 0x1000_0001, 2), SymbolSpec(short, 0x1000_0011, 2)]
    Path("x.elf").write_bytes(elf([SegmentSpec(0x1000_0000, bytes(64))], symbols=symbols))
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(b"10000000\n10000010\n")))
    out = gemel("where", "station=x.elf", "-").out
    assert (f"<{long}>" in out, "..." in out, f"<{short}>" in out) == (not less, bool(less), True)


def test_many_builds_at_many_addresses(gemel: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    """The attack: each of 60 builds was asked for each of 110,000 addresses: half a minute."""
    Path("x.elf").write_bytes(
        elf([SegmentSpec(0x1000_0000, bytes(16))], symbols=[SymbolSpec("f", 0x1000_0001, 240_000)])
    )
    lines = "".join(f"{0x1000_0000 + 2 * number:08x}\n" for number in range(110_000))
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(lines.encode())))
    ended = gemel("where", *(f"b{number}=x.elf" for number in range(60)), "-")
    assert (ended.code, ended.out.startswith("10000000 <f>\n")) == (0, True)


@pytest.mark.parametrize(("count", "room"), [(2, 0), (3, 3), (3, 2)])
def test_builds_are_all_asked_up_to_a_limit(
    gemel: Run, monkeypatch: pytest.MonkeyPatch, count: int, room: int
) -> None:
    """More than FEW_WAYS count while WAYS_IN_ALL has room; then ``...`` says that others are left out."""
    monkeypatch.setattr(annotating, "WAYS_IN_ALL", room)
    for number in range(count):
        symbols = [SymbolSpec(f"f{number}", 0x1000_0001, 2)]
        Path(f"b{number}.elf").write_bytes(elf([SegmentSpec(0x1000_0000, bytes(16))], symbols=symbols))
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(b"10000000\n")))
    out = gemel("where", *(f"b{number}=b{number}.elf" for number in range(count)), "-").out
    whole = count <= annotating.FEW_WAYS or room >= count
    named = " | ".join(f"b{at}: f{at}" for at in range(count if whole else annotating.FEW_WAYS))
    assert out == f"10000000 <{named}{'' if whole else '; ...'}>\n"


@pytest.mark.parametrize("name", UNITS)
def test_what_a_build_was_made_of_ends_in_time(gemel: Run, name: str, tmp_path: Path) -> None:
    """The attack: debug information that costs gigabytes or hours in the list of what a release was made of."""
    Path("x.elf").write_bytes(station(UNITS[name]()))
    words = ("release", "small.toml", "station=x.elf", "sampler=sampler.elf")
    assert gemel(*words, "--no-memory-files", "-o", tmp_path / "made").code == 0


def edited(name: str, change: Callable[[dict], object]) -> None:
    """Change one document of the release in the folder ``changed``."""
    data = json.loads(Path("changed", name).read_bytes())
    change(data)
    Path("changed", name).write_text(json.dumps(data), encoding="utf-8")


def many_vex() -> None:
    """One VEX document listed a thousand times, and an SBOM as large as the rest."""
    refs = [{"affects": [{"ref": f"r{number}"}]} for number in range(2000)]
    vex = {"bomFormat": "CycloneDX", "vulnerabilities": refs}
    Path("changed/v.json").write_text(json.dumps(vex), encoding="utf-8")
    edited("release.json", lambda data: data.update(vex=[{"file": "v.json", "form": "CycloneDX"}] * 1024))
    parts = [{"bom-ref": f"c{number}", "name": "x"} for number in range(20_000)]
    edited("sbom.cdx.json", lambda data: data["components"].extend(parts))


def many_signatures() -> None:
    """As many signatures without the name of a key as can be, over a long statement, and as many keys."""
    signature = {"sig": base64.b64encode(bytes(range(32)) + bytes(32)).decode()}
    payload = base64.b64encode(bytes(700_000)).decode()
    edited("provenance.json", lambda data: data.update(signatures=[signature] * 1000, payload=payload))
    edited("release.json", lambda data: data.update(keys=data["keys"] * 4000))


FOLDERS: dict[str, Callable[[], object]] = {
    "a document listed often": many_vex,
    "signatures and keys": many_signatures,
    "a long name": lambda: edited("release.json", lambda data: data.update(product="x" * 900_000)),
    "half a character": lambda: edited("provenance.json", lambda data: data.update(payloadType="\ud800")),
    "half a character in names": lambda: edited(
        "release.json", lambda data: data["builds"][0].update(name="\ud800")
    ),
}


@pytest.mark.parametrize("name", FOLDERS)
def test_a_release_folder_ends_in_time(gemel: Run, name: str) -> None:
    """Whatever its documents say, the findings are few and short, in every form."""
    import shutil

    shutil.rmtree("changed", ignore_errors=True)
    shutil.copytree("out", "changed")
    FOLDERS[name]()
    for form in ("text", "sarif"):
        ended = gemel("check", "--release", "changed", "--format", form)
        assert ended.code in (1, 2)
        assert len(ended.out) < 1_000_000


@pytest.mark.parametrize(
    "words",
    [("where", "station=station.elf", "\udcff"), ("audit", "--index", "i.db", "--find", "product=\udcff")],
)
def test_words_that_are_no_text(gemel: Run, words: tuple[str, ...]) -> None:
    """A shell passes any bytes: a name of other bytes than UTF-8 is a name that nothing has."""
    gemel("audit", "small.toml", "station.elf", "--index", "i.db")
    assert gemel(*words).code in (1, 2)
