"""Reading a layout: what is told of keys and values, where, and all at once."""

from __future__ import annotations

import re

import pytest
from layout.reading import FILE, line_of, messages, problems, read
from small_device import LAYOUT, layout_text

from gemel.errors import LayoutError
from gemel.layout.model import Layout
from gemel.layout.reader import MAX_FAULTS, read_layout

AREA_KEYS = "memory, offset, size, purpose"
STAMP_KEYS = "name, at, width, byte_order, value, unit"

# One faulty value each: what is replaced, by what, a piece of the line, and the whole message behind it.
FAULTS = [
    (
        "write_unit = 8",
        "writ_unit = 8",
        "unknown key: memory.flash.writ_unit; found writ_unit; expected one of kind, start, size, erase_block, "
        'write_unit, erased_byte, aliases, views; did you mean "write_unit"?',
    ),
    (
        'kind = "flash"',
        'kind = "falsh"',
        'unknown value: memory.flash.kind; found "falsh"; expected one of "flash", "ram", "rom", "device"; '
        'did you mean "flash"?',
    ),
    (
        'size = "4 KiB"',
        'size = "4 kB"',
        'value of the wrong kind: memory.control.size; found "4 kB"; expected a size of 1 to 4 GiB: bytes as a '
        'number, or text such as "4 KiB" (B, KiB, MiB, GiB); did you mean "4 KiB"?',
    ),
    (
        "start = 0x5000_0000",
        "start = 0x5_0000_0000",
        "number out of range: memory.control.start; found 21474836480 (0x5_0000_0000); expected an address, "
        "0x0000_0000 to 0xFFFF_FFFF",
    ),
    (
        'product = "small-device"',
        f'product = "{"n" * 32}"',
        f'text of the wrong length: product; found "{"n" * 32}"; expected text of 1 to 31 bytes without control '
        "characters",
    ),
    (
        'product = "small-device"',
        'product = "small\\u001b[31mdevice"',
        'text of the wrong form: product; found "small\\u001B[31mdevice"; expected text of 1 to 31 bytes without '
        "control characters",
    ),
    (
        'version = "1.2.3"',
        "version = 1.2",
        'value of the wrong kind: version; found 1.2; expected a version "X.Y.Z", at most '
        '"65535.65535.4294967295"; write "1.2.0"',
    ),
    (
        "[contract.link]",
        "[contract.'the link']",
        'name of the wrong form: contract."the link"; found "the link"; expected 1 to 23 letters, digits, \'-\' or '
        "'_', a letter or digit first",
    ),
    (
        "[[stamp]]",
        "[stamp]",
        "value of the wrong kind: stamp; found a table with name, at, width, value; expected a list, each a table "
        f"with {STAMP_KEYS}; write [[stamp]]",
    ),
    (
        "[memory.control]",
        "[[memory.control]]",
        "value of the wrong kind: memory.control; found a list of 1; expected a table with kind, start, size, "
        "erase_block, write_unit, erased_byte, aliases, views; write [memory.control]",
    ),
    (
        "[record]",
        "[[record]]",
        "value of the wrong kind: record; found a list of 1; expected a table with area, vendor, class; "
        "write [record]",
    ),
    (
        "value = { size_of",
        'value = { version = "text", size_of',
        "exactly one of the keys must be given: stamp[0].value; found a table with version, size_of; expected a "
        "table with one of size_of, start_of, end_of, run_start_of, vectors_of, version, rollback, build_id_of, "
        "sha256_of",
    ),
    (
        "over = [{",
        "over = [7, {",
        "value of the wrong kind: checksum[0].over[0]; found 7; expected the name of a table of this layout; or a "
        "table with start, size; or a table with area, offset, size; or a table with build",
    ),
    (
        'at = { area = "station-code", offset = 0xFFC }',
        'at = { area = "station-code", ofset = 0xFFC }',
        'unknown key: checksum[0].at.ofset; found ofset; expected one of area, offset; did you mean "offset"?',
    ),
    (
        'interrupts = 16\nram = ["station-ram"]',
        'interrupts = 497\nram = ["station-ram"]',
        "number out of range: core.station.interrupts; found 497; expected a whole number from 0 to 496",
    ),
    (
        "format = 1",
        "format = 2",
        "unknown format of the layout: format; found 2; expected 1; this gemel reads format 1; another one may "
        "read this file",
    ),
    (
        "start = 0x1000_0000",
        'start = "0x10000000"',
        'value of the wrong kind: memory.flash.start; found "0x10000000"; expected an address, 0x0000_0000 to '
        "0xFFFF_FFFF; write it without quotes: 0x10000000",
    ),
    (
        'size = "16 KiB"\nerase',
        'size = "16_384"\nerase',
        'value of the wrong kind: memory.flash.size; found "16_384"; expected a size of 1 to 4 GiB: bytes as a '
        'number, or text such as "4 KiB" (B, KiB, MiB, GiB); write it without quotes: 16_384',
    ),
    (
        'architecture = "armv8-m.main"\nextensions',
        'architecture = "armv8-m"\nextensions',
        'unknown value: core.station.architecture; found "armv8-m"; expected one of "armv6-m", "armv7-m", '
        '"armv7e-m", "armv8-m.base", "armv8-m.main", "armv8.1-m.main"; did you mean "armv8-m.base" or '
        '"armv8-m.main"?',
    ),
    (
        "format = 1",
        'format = "1"',
        'value of the wrong kind: format; found "1"; expected 1',
    ),
    (
        'ram = ["sampler-ram"',
        'ram = "sampler-ram" #',
        'value of the wrong kind: core.sampler.ram; found "sampler-ram"; expected a list, each the name of a table '
        'of this layout; write ram = ["sampler-ram"]',
    ),
]


@pytest.mark.parametrize(
    ("old", "new", "says"), FAULTS, ids=[new.split("\n")[0][:30] for _, new, _ in FAULTS]
)
def test_a_faulty_value_is_told_with_line_key_found_and_expected(old: str, new: str, says: str) -> None:
    """Each message is whole, and points at the line on which the faulty value stands."""
    text = LAYOUT.replace(old, new, 1)
    line = text[: text.index(new)].count("\n") + 1
    assert messages(text) == [f"{FILE}:{line}: {says}"]


@pytest.mark.parametrize(
    ("without", "header", "says"),
    [
        ("format = 1\n", "", "missing key: format; found nothing; expected 1; add format = 1"),
        (
            'kind = "device"\n',
            "[memory.control]",
            'missing key: memory.control.kind; found nothing; expected one of "flash", "ram", "rom", "device"; '
            "add kind = ...",
        ),
        (
            ', purpose = "reserved"',
            "spare = ",
            'missing key: area.spare.purpose; found nothing; expected one of "code", "data", "shared", "record", '
            '"seal", "reserved", "settings"; add purpose = ...',
        ),
        (
            "width = 4\n",
            "[[stamp]]",
            "missing key: stamp[0].width; found nothing; expected a whole number from 1 to "
            "256; add width = ...",
        ),
    ],
)
def test_a_missing_key_is_told_at_its_table(without: str, header: str, says: str) -> None:
    """The message points at the table's header and says what to add."""
    text = layout_text({without: ""})
    (problem,) = problems(text)
    assert header in text.split("\n")[line_of(problem) - 1]
    assert str(problem).split(": ", 1)[1] == says


def test_an_empty_file_is_told_what_a_layout_needs() -> None:
    """Every required table is named with the header that brings it."""
    hints = {problem.what: problem.next_step for problem in problems("")}
    assert hints == {
        "missing key: format": "add format = 1",
        "missing key: product": "add product = ...",
        "missing key: memory": "add [memory.NAME]",
        "missing key: core": "add [core.NAME]",
        "missing key: area": "add [area.NAME]",
        "missing key: build": "add [build.NAME]",
    }


def test_all_faults_of_a_file_are_told_at_once_by_line() -> None:
    """Seven faults in seven tables give seven messages, in the order of the file."""
    text = layout_text(
        {
            "rollback = 7": "rollback = -1",
            "write_unit = 8": "writ_unit = 8",
            'role = "secondary"': 'role = "second"',
            'purpose = "reserved"': 'purpose = "spare"',
            'symbols = ["link_frames"]': "symbols = [1]",
            "width = 4": "width = 0",
            'vendor = "harbour.example"': 'vendor = ""',
        }
    )
    told = problems(text)
    lines = [line_of(problem) for problem in told]
    assert len(told) == 7
    assert lines == sorted(set(lines))


def test_a_file_of_faults_is_told_its_first_hundred() -> None:
    """Beyond MAX_FAULTS the rest is not told one by one, and the last message says so."""
    told = problems(
        LAYOUT.replace("write_unit = 8", "write_unit = 8\n" + "\n".join(f"k{i} = 1" for i in range(500)))
    )
    assert len(told) == MAX_FAULTS + 1
    assert str(told[-1]) == f"{FILE}: there are more than {MAX_FAULTS} faults; correct these first"
    (told_of_one,) = problems(layout_text(add="[rules]\nwave = []\n"))
    assert "did you mean" in told_of_one.next_step


@pytest.mark.parametrize(
    ("data", "found"),
    [
        (b"format = 1\nproduct = small\n", "product = small"),
        (b"a = 1\na = 2\nformat = 1\n", "a = 2"),
        (b"[a]\n[a]\nformat = 1\n", "[a]"),
        (b'a = """\nno end\n', "the end of the file"),
        (b"a = 1\nb = 2027-02-30\nformat = 1\n", "b = 2027-02-30"),
        (b"a = 1\nb = \x1b[31m\nformat = 1\n", "b = \\u001B[31m"),
        (b"a = 1\nb = 1\rc = 2\nformat = 1\n", "b = 1\\u000Dc = 2"),
    ],
    ids=["bare-word", "key-twice", "table-twice", "open-string", "no-such-day", "control", "carriage-return"],
)
def test_what_is_no_toml_is_told_with_its_line(data: bytes, found: str) -> None:
    """Whatever the parser refuses is told with file, line, the parser's reason and the text of the line."""
    (message,) = messages(data)
    assert re.fullmatch(
        rf"{FILE}:2: not valid TOML: [A-Z].+; found {re.escape(found)}; expected TOML 1\.0 \(toml\.io\)"
        "(; put text in quotes.*|; a (?:table|key) is written once.*)?",
        message,
    )
    assert message.isprintable()


def test_what_is_no_text_is_told_with_its_line() -> None:
    """A byte that is not UTF-8 is shown, with its line."""
    assert messages(b"a = 1\nb = \xff\n") == [
        f"{FILE}:2: the layout is not UTF-8 text; found byte 0xFF; expected UTF-8; save it as UTF-8"
    ]


def test_a_number_too_long_to_read_is_told_with_its_line() -> None:
    """A number of more digits than Python converts is refused like any other fault."""
    (problem,) = problems(b"a = 1\nb = " + b"9" * 5000)
    assert (problem.what, line_of(problem)) == ("a number of too many digits", 2)


def test_a_build_may_be_stored_in_several_areas() -> None:
    """``also_stored_in`` is read in its order, and the spans of a build are those of all its areas."""
    read_one = read(
        layout_text(
            {
                'stored_in = "sampler-code"': 'stored_in = "sampler-code"\nalso_stored_in = ["spare", "tail"]',
                'purpose = "reserved" }': 'purpose = "data" }\n'
                'tail = { memory = "flash", offset = "12 KiB", size = "4 KiB", purpose = "data" }',
            }
        )
    )
    plan = read_one.layout.builds["sampler"]
    assert plan.also_stored_in == ("spare", "tail")
    assert [str(span) for span in read_one.layout.spans_of_build(plan)] == [
        "0x1000_1000..0x1000_1FFF",
        "0x1000_2000..0x1000_27FF",
        "0x1000_3000..0x1000_3FFF",
    ]


def test_a_table_takes_its_name_and_defaults() -> None:
    """Every named table knows its name, and keys left out have the defaults of the language."""
    layout = read(LAYOUT).layout
    for tables in (layout.memories, layout.cores, layout.areas, layout.builds, layout.contracts):
        assert tables
        assert all(name == table.name for name, table in tables.items())
    control = layout.memories["control"]
    assert (control.erase_block, control.write_unit, control.erased_byte) == (None, 1, 0xFF)
    assert layout.builds["station"].vector_offset == 0
    assert layout.checksums[0].feed == "byte"
    assert layout.seal is None


def test_the_layout_answers_where_things_are() -> None:
    """Spans, memories, primary, secondaries and the builds of a core by address."""
    layout = read(LAYOUT).layout
    assert isinstance(layout, Layout)
    assert str(layout.span_of("sampler-code")) == "0x1000_1000..0x1000_1FFF"
    assert layout.memory_of("link").name == "ram"
    assert layout.primary().name == "station"
    assert [core.name for core in layout.secondaries()] == ["sampler"]
    assert [build.name for build in layout.builds_of("sampler")] == ["sampler"]
    assert layout.memories["ram"].words == "memory ram"


def test_a_read_layout_gives_lines_for_messages_and_a_name_without_folder() -> None:
    """``at`` is file and line of a key; ``name`` holds no path."""
    found = read_layout(LAYOUT.encode(), "folder/small.toml")
    line = LAYOUT[: LAYOUT.index("write_unit")].count("\n") + 1
    assert found.at(("memory", "flash", "write_unit")) == f"folder/small.toml:{line}"
    assert found.name == "small.toml"


def test_a_further_check_is_asked_only_once_names_exist() -> None:
    """What another room finds is told with the rest; on a layout with unknown names it is not asked."""
    asked: list[Layout] = []

    def check(layout: Layout) -> list[object]:
        asked.append(layout)
        return []

    with pytest.raises(LayoutError):
        read_layout(layout_text({'core = "station"\n': 'core = "stations"\n'}).encode(), FILE, [check])  # type: ignore[list-item]
    assert asked == []
    read_layout(LAYOUT.encode(), FILE, [check])  # type: ignore[list-item]
    assert len(asked) == 1


@pytest.mark.parametrize(
    ("line", "step"),
    [
        ("size = 32 KiB", 'put a size with a unit in quotes, such as "4 KiB"'),
        ("size = 32KB", 'put a size with a unit in quotes, such as "4 KiB"'),
        ("size = 32K", 'put a size with a unit in quotes, such as "4 KiB"'),
        ("start = 0X1000_0000", "write 0x with a small x"),
        ('[seal]\narea = "x"\nrequired = True # yes', "write true or false, in small letters"),
        ('[seal]\narea = "x"\nrequired = no', "write true or false, in small letters"),
        ("kind = onboard", 'put text in quotes, such as "flash"'),
        ("start = 10000000h", "write hexadecimal numbers with 0x before them"),
        ("kind = flash", 'put text in quotes, such as "flash"'),
        ("kind = true flash", ""),
        ("kind: flash", "write = between a key and its value"),
        ("kind = “flash”", 'put text in plain quotes, such as "flash"'),
        ("[core.main]\nram = [main-ram]", 'put each text of a list in quotes, such as ["flash"]'),
        ("[core.main]\nram = [1, main-ram]", 'put each text of a list in quotes, such as ["flash"]'),
        ('[core.main]\nram = ["main-ram"', ""),
        ("// flash", "begin a comment with #"),
        ("; flash", "begin a comment with #"),
        ('kind = "flash', ""),
        ("version = 1.2", 'write "1.2.0"'),
        ("version = 1.2.0", "put a version in quotes"),
        ("start = 0x800_000G", "write hexadecimal digits alone after 0x"),
        ("until = 31.01.2027", "write a date as year, month and day"),
        ("until = 31-01-2027", "write a date as year, month and day"),
        (
            '[rules]\nwaive = [{ rule = "a", where = "b", reason = "c", until = "2027-01-31" }]',
            "write it without",
        ),
        ('[rules]\nwaive = [{ rule = "a", where = "b", reason = "c", until = "soon" }]', ""),
        ("[core.main]\n[core.main]", "a table is written once"),
        ("rollback = 3\nrollback = 9", "a key is written once: remove one of the two"),
        ("[core main]", ""),
        ("[core.main", ""),
        ('version = "v2"', 'write "2.0.0"'),
        ('version = "2.0.0-rc1"', ""),
        ('[seal]\narea = "x"\nrequired = "yes"', "write true, without quotes"),
        ('[seal]\narea = "x"\nrequired = "Off"', "write false, without quotes"),
        ('[seal]\narea = "x"\nrequired = "maybe"', ""),
    ],
)
def test_a_slip_has_its_correction(line: str, step: str) -> None:
    """What was likely meant is said; where that is not plain, nothing is."""
    with pytest.raises(LayoutError) as raised:
        read_layout(f'format = 1\nproduct = "lamp"\n{line}\n'.encode(), "lamp.toml")
    number = 3 + line.count("\n")
    (problem,) = (
        each
        for each in raised.value.problems
        if each.where == f"lamp.toml:{number}" and "missing" not in each.what
    )
    assert problem.next_step.startswith(step)
    assert bool(problem.next_step) == bool(step)
