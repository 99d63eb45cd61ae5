"""CMSIS-SVD files: what is read from them, what a draft makes of it, and files that are none.

The format is CMSIS-SVD 1.3 (Arm); the files here are our own.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from device_descriptions import TIMER, svd
from gauge_builds import BUILT
from seconds import within
from thumb import assembled

from gemel.cli.main import exit_code
from gemel.draft.document_devices import _addresses
from gemel.draft.svd import NotSvd, read_svd
from gemel.layout.reader import read_layout


def test_registers_are_read_as_the_format_says() -> None:
    """Arrays, clusters, inherited properties, derived registers and peripherals; each number format."""
    first, second = read_svd(svd(TIMER))
    found = {each.name: each for each in first.registers}
    assert {name: each.address for name, each in found.items()} == {
        "TIMER0_CTRL": 0x4001_0000,
        "TIMER0_STATUS": 0x4001_0004,
        "TIMER0_KEY": 0x4001_0008,
        "TIMER0_CCA": 0x4001_0010,
        "TIMER0_CCB": 0x4001_0014,
        "TIMER0_CCC": 0x4001_0018,
        "TIMER0_CH0_LOW": 0x4001_0020,
        "TIMER0_CH0_HIGH": 0x4001_0021,
        "TIMER0_CH1_LOW": 0x4001_0030,
        "TIMER0_CH1_HIGH": 0x4001_0031,
        "TIMER0_CTRL2": 0x4001_0060,
    }
    assert found["TIMER0_STATUS"][2:] == (32, 0b1001, True, 0, 0, 0b1001)
    assert found["TIMER0_KEY"][2:] == (32, 0, False, 0, 0, 0)
    assert found["TIMER0_CTRL"][2:] == (32, 0x10, True, 0xFFFF_FFFF, 0, 0x10)
    assert found["TIMER0_CTRL2"].reset == 0x10
    assert (first.span.start, first.span.size) == (0x4001_0000, 0x100)
    assert [each.address - 0x1000 for each in second.registers] == [each.address for each in first.registers]
    assert second.registers[0].name == "TIMER1_CTRL"


@pytest.mark.parametrize(
    ("index", "names"),
    [
        ("", "P0 P1"),
        ("<dimIndex>A,B</dimIndex>", "PA PB"),
        ("<dimIndex>7-8</dimIndex>", "P7 P8"),
        ("<dimIndex>09-10</dimIndex>", "P9 P10"),
        ("<dimIndex>C-D</dimIndex>", "PC PD"),
        ("<dimIndex>0-2</dimIndex>", "P0 P1"),  # more than there are elements: their numbers
        ("<dimIndex>0-999999999</dimIndex>", "P0 P1"),
    ],
)
def test_an_array_of_peripherals(index: str, names: str) -> None:
    """Each element has its name, its addresses and its registers; one that is derived from the array has no array."""
    dim = f"<dim>2</dim><dimIncrement>0x100</dimIncrement>{index}"
    register = "<registers><register><name>R</name><addressOffset>4</addressOffset></register></registers>"
    data = (
        "<device><name>gauge</name><peripherals>"
        f"<peripheral>{dim}<name>P[%s]</name><baseAddress>0x1000</baseAddress>{register}</peripheral>"
        '<peripheral derivedFrom="P[%s]"><name>Q</name><baseAddress>0x4000</baseAddress></peripheral>'
        "</peripherals></device>"
    )
    first, second, derived = read_svd(data.encode())
    assert [first.name, second.name] == names.split()
    assert [first.span.start, second.span.start, derived.span.start] == [0x1000, 0x1100, 0x4000]
    assert [(each.name, each.address) for each in (*second.registers, *derived.registers)] == [
        (f"{second.name}_R", 0x1104),
        ("Q_R", 0x4004),
    ]


def registers(text: str, access: str = "") -> list[tuple[int, int, int | None]]:
    """Bits that keep what is written, bits that a write changes otherwise, and what is read next, of each register."""
    of_device = f"<device><name>gauge</name>{access}<peripherals><peripheral><name>P</name><baseAddress>0</baseAddress>"
    numbered = enumerate(text.split("<register>")[1:])
    each = "".join(
        f"<register><name>R{at}</name><addressOffset>{4 * at}</addressOffset>{one}</register>"
        for at, one in numbered
    )
    data = f"{of_device}<registers>{each}</registers></peripheral></peripherals></device>"
    return [(one.kept, one.changed, one.after_read) for one in read_svd(data.encode())[0].registers]


def field(said: str, place: str = "<bitOffset>4</bitOffset><bitWidth>4</bitWidth>") -> str:
    """A field of bits 4 to 7."""
    return f"<fields><field><name>F</name>{place}{said}</field></fields>"


ONE_CLEARS = "<modifiedWriteValues>oneToClear</modifiedWriteValues>"
RESET = "<resetValue>0xFF</resetValue>"
ALL = 0xFFFF_FFFF
FIELDS = {
    "<register>": (ALL, 0, 0),
    f"<register>{field('<access>read-only</access>')}": (0xFFFF_FF0F, 0, 0),
    f"<register>{field('<access>write-only</access>')}": (0xFFFF_FF0F, 0, 0),
    f"<register>{field('<access>read-writeOnce</access>')}": (ALL, 0, 0),
    f"<register><access>read-only</access>{field('<access>read-write</access>')}": (0xF0, 0, 0),
    f"<register><access>read-only</access>{field('')}": (0, 0, 0),
    f"<register>{ONE_CLEARS}{RESET}": (0, ALL, 0xFF),
    f"<register>{field(ONE_CLEARS)}": (0xFFFF_FF0F, 0xF0, 0),
    f"<register>{ONE_CLEARS}{field('<modifiedWriteValues>modify</modifiedWriteValues>')}": (
        0xF0,
        0xFFFF_FF0F,
        0,
    ),
    f"<register><access>read-only</access>{ONE_CLEARS}": (0, 0, 0),
    f"<register>{RESET}<readAction>clear</readAction>": (ALL, 0, 0),
    f"<register>{RESET}{field('<readAction>clear</readAction>')}": (ALL, 0, 0xF),
    f"<register>{field('<readAction>set</readAction>')}": (ALL, 0, 0xF0),
    f"<register>{field('<readAction>modifyExternal</readAction>')}": (ALL, 0, None),
    f"<register>{field('<access>read-only</access>', '<lsb>4</lsb><msb>7</msb>')}": (0xFFFF_FF0F, 0, 0),
    f"<register>{field('<access>read-only</access>', '<bitRange>[7:4]</bitRange>')}": (0xFFFF_FF0F, 0, 0),
    f"<register>{field('<access>read-only</access>', '<bitOffset>4</bitOffset>')}": (0xFFFF_FFEF, 0, 0),
    "<register>"
    + field(
        "<access>read-only</access>", "<dim>2</dim><dimIncrement>2</dimIncrement><bitOffset>4</bitOffset>"
    ): (
        0xFFFF_FFAF,
        0,
        0,
    ),
    f"<register>{field('<access>read-only</access>', '<bitOffset>90</bitOffset>')}": (ALL, 0, 0),
    f"<register><size>8</size>{field('<access>read-only</access>')}": (0xF, 0, 0),
}


@pytest.mark.parametrize("text", FIELDS)
def test_what_fields_say_of_their_bits(text: str) -> None:
    """Access, what a write does and what a read does, of a field or else of its register; every form of its place."""
    assert registers(text) == [FIELDS[text]]


def test_what_fields_are_derived_from() -> None:
    """Access from the device on; a field from another one next to it, a register's fields from another register."""
    read_only = "<access>read-only</access>"
    assert registers("<register><register>" + field("<access>read-write</access>"), read_only) == [
        (0, 0, 0),
        (0xF0, 0, 0),
    ]
    two = field(read_only).replace(
        "</fields>", "<field derivedFrom='F'><name>G</name><lsb>0</lsb><msb>1</msb></field></fields>"
    )
    assert registers(f"<register>{two}") == [(0xFFFF_FF0C, 0, 0)]
    derived = "</register><register derivedFrom='R0'><name>R9</name><addressOffset>8</addressOffset>"
    assert registers(f"<register>{field(read_only)}{derived}") == [(0xFFFF_FF0F, 0, 0)] * 2


ENTITIES = '<!DOCTYPE device [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">]>\n'
EXTERNAL = '<!DOCTYPE device SYSTEM "file:///etc/passwd">\n'
ARRAY = "<dim>4096</dim><dimIncrement>0</dimIncrement>"
NESTED = (
    "<peripheral><name>P</name><baseAddress>0</baseAddress><registers>"
    + f"<cluster>{ARRAY}<name>C%s</name><addressOffset>0</addressOffset>" * 5
    + "<register><name>R</name><addressOffset>0</addressOffset></register>"
    + "</cluster>" * 5
    + "</registers></peripheral>"
)


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (b"", "no XML"),
        (b"\x7fELF\x01\x01\x01", "no XML"),
        (b"<device><name>", "no XML"),
        (b"<package/>", "outermost element"),
        (svd(""), "no peripherals"),
        (svd(TIMER, ENTITIES), "document type"),
        (svd(TIMER, EXTERNAL), "document type"),
        (b"<device>" + b"<a>" * 100_000, "nested"),
        (svd(TIMER.replace("0x40010000", "here")), "no number"),
        (svd(TIMER.replace("0x40010000", "0x1F0000000")), "32 bits at"),
        (
            svd(TIMER.replace("<size>0x100</size>", "<size>0xF0000000</size>")),
            "beyond the 32-bit address space",
        ),
        (svd(TIMER.replace('derivedFrom="TIMER0"', 'derivedFrom="TIMER1"')), "circle"),
        (svd(TIMER.replace('derivedFrom="TIMER0"', 'derivedFrom="TIMER9"')), "does not exist"),
        (svd(TIMER.replace('derivedFrom="CTRL"', 'derivedFrom="CTRL9"')), "not next to it"),
        (svd(TIMER.replace("<dim>3</dim>", "<dim>900000</dim>")), "elements"),
        (svd(TIMER.replace("<size>8</size>", "<size>4000000000</size>")), "bits"),
        (svd(NESTED), "more than 200,000 registers"),
        (b'<?xml version="1.0" encoding="no-such"?><device/>', "no XML"),
    ],
)
def test_what_is_no_svd_file_is_refused(data: bytes, reason: str) -> None:
    """Each with its reason, soon, and never by expanding or opening anything."""
    with within(20), pytest.raises(NotSvd, match=reason):
        read_svd(data)


def test_unusual_files_that_are_sound() -> None:
    """UTF-16, comments, a byte order mark, unknown elements, decimal addresses and scaled sizes."""
    text = svd(TIMER).decode().replace("0x40010000", "1073807360").replace("0x100<", "1k<")
    text = text.replace("<registers>", "<!-- here --><registers>", 1).replace(
        "<name>gauge</name>", "<vendorExtensions><x y='1'/></vendorExtensions><name>gauge</name>"
    )
    (first, _) = read_svd(text.replace("utf-8", "utf-16").encode("utf-16"))
    assert (first.span.start, first.span.size) == (0x4001_0000, 1024)
    assert read_svd(b"\xef\xbb\xbf" + svd(TIMER)) == read_svd(svd(TIMER))


SERIAL = TIMER.replace("TIMER0", "UART").replace("TIMER1", "UART1").replace("0x4001", "0x5020")
CONTROL = (
    "<peripheral><name>SYS</name><baseAddress>0x50021000</baseAddress><registers>"
    "<register><name>VTOR1</name><addressOffset>0x114</addressOffset></register>"
    "<register><name>HOLD1</name><addressOffset>0x118</addressOffset><resetValue>2</resetValue></register>"
    "</registers></peripheral>"
)
UNUSED = TIMER.replace("TIMER", "OTHER").replace("0x4001", "0x4444")


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The in-place tide gauge's builds and an SVD file of its device."""
    monkeypatch.chdir(tmp_path)
    for name in ("station", "sampler"):
        (tmp_path / f"{name}.elf").write_bytes((BUILT / "in-place" / f"{name}.elf").read_bytes())
    (tmp_path / "gauge.svd").write_bytes(svd(SERIAL + CONTROL + UNUSED))
    return tmp_path


def test_draft_takes_reset_values_and_names(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The registers of the peripherals that the builds use, read back by the layout reader; the draft joins."""
    assert exit_code(["draft", "station=station.elf", "sampler=sampler.elf", "--svd", "gauge.svd"]) == 0
    text = capsys.readouterr().out
    layout = read_layout(text.encode(), "draft.toml").layout
    plan = layout.rehearsal
    assert plan is not None
    held = {each.at: each.reset for each in plan.held}
    assert held[0x5020_0000] == 0x10
    assert held[0x5020_0020] == 0x302
    assert {each.at: each.value for each in plan.constants}[0x5020_0004] == 9
    assert plan.register_names["UART_STATUS"] == 0x5020_0004
    assert "OTHER0_CTRL" not in text
    assert 0x5020_0008 not in held
    devices = [memory for memory in layout.memories.values() if memory.kind == "device"]
    assert any(memory.span.holds(0x5020_0000) for memory in devices)


def test_draft_refuses_what_is_no_svd_file(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Wrong use: the reason, and nothing is written; nor is the file overwritten as output."""
    assert exit_code(["draft", "station=station.elf", "--svd", "station.elf", "-o", "new.toml"]) == 2
    assert "no CMSIS-SVD file" in capsys.readouterr().err
    assert not Path("new.toml").exists()
    assert (
        exit_code(["draft", "station=station.elf", "--svd", "gauge.svd", "-o", "gauge.svd", "--force"]) == 2
    )
    assert exit_code(["draft", "station=station.elf", "--svd", "none.svd"]) == 2


def test_draft_says_which_bits_a_write_changes(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Bits that are read only stay as they are, reads that clear are values in turn; what has no form is said."""
    more = (
        "<register><name>FLAGS</name><addressOffset>0x70</addressOffset><resetValue>3</resetValue>"
        + field(ONE_CLEARS, "<bitRange>[1:0]</bitRange>")
        + "</register><register><name>COUNT</name><addressOffset>0x74</addressOffset><access>read-only</access>"
        "<readAction>clear</readAction><resetValue>7</resetValue></register>"
        "<register><name>FIFO</name><addressOffset>0x78</addressOffset><readAction>modifyExternal</readAction></register>"
        "<register><name>MODE</name><addressOffset>0x7C</addressOffset>"
        + field("<access>read-only</access>")
        + "</register>"
    )
    Path("gauge.svd").write_bytes(svd(SERIAL.replace("</registers>", more + "</registers>", 1)))
    assert exit_code(["draft", "station=station.elf", "sampler=sampler.elf", "--svd", "gauge.svd"]) == 0
    text = capsys.readouterr().out
    plan = read_layout(text.encode(), "draft.toml").layout.rehearsal
    assert plan is not None
    writable = {each.at: (each.reset, each.writable) for each in plan.held}
    assert writable[0x5020_0070] == (3, 0xFFFF_FFFC)
    assert writable[0x5020_007C] == (0, 0xFFFF_FF0F)
    assert writable[0x5020_0000] == (0x10, ALL)
    assert writable[0x5020_0020] == (0x302, ALL)
    assert [(each.at, each.values) for each in plan.sequences] == [
        (0x5020_0074, (7, 0)),
        (0x5020_1074, (7, 0)),
    ][: len(plan.sequences)]
    assert plan.sequences
    remarks = " ".join(line.removeprefix("# ") for line in text.splitlines() if line.startswith("# "))
    assert "By gauge.svd a write clears, sets or inverts bits of UART" in remarks
    assert "By gauge.svd a read changes bits of UART" in remarks
    assert "COUNT" not in remarks


LOADS = {
    "a word": ("ldr r3, =0x50200000\n .ltorg", True),
    "two halves": ("movw r3, #0\n movt r3, #0x5020", True),
    "a constant of eight bits": ("mov.w r3, #0x58000000", True),
    "a constant and a shift": ("movs r3, #0xB0\n lsls r3, r3, #23", True),
    "a shift of another register": ("movs r3, #0xB0\n lsls r3, r2, #23", False),
    "a complement": ("mvn r3, #0x58000000", False),
}


@pytest.mark.parametrize("name", LOADS)
def test_addresses_that_code_loads(name: str, tmp_path: Path) -> None:
    """Each way in which compilers load the address of a peripheral is one that the build uses."""
    code, loads = LOADS[name]
    found = _addresses(assembled(f"push {{r3, lr}}\n {code}\n ldr r2, [r3]\n", tmp_path))
    assert bool({0x5020_0000, 0x5800_0000} & found) is loads
