"""Faulty layouts: the small device's, each with one thing wrong, and what the reader must say of it.

``line`` is a piece of the one line that the message must point at; ``says`` is the whole message behind
``FILE:LINE: ``, ``<areas>`` standing for the names of all areas; ``count`` is how many messages there are,
where one mistake is seen from several sides.  Faults of one subject stand in one list, which a module of
its own finds.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Faulty:
    """One fault: ``replace`` and ``add`` as in ``small_device.layout_text``."""

    name: str
    line: str
    says: str
    replace: Mapping[str, str] = field(default_factory=dict)
    add: str = ""
    count: int = 1


_AT = 'at = { build = "station", symbol = "image_length" }'
_VALUE = 'value = { size_of = "station" }'


def checksums_of_ranges(last: int) -> str:
    """Seventeen checksums: fifteen of 256 ranges, one of ``last``, and one over the sampler's code."""
    text = ""
    for number, ranges in enumerate([256] * 15 + [last, 1]):
        spans = "{ start = 0x1000_0010, size = 1 }, " * ranges if number < 16 else '"sampler-code"'
        text += f'[[checksum]]\nname = "c{number}"\nalgorithm = "CRC-32/ISO-HDLC"\nover = [{spans}]\n'
        text += f"at = 0x{0x1000_0800 + 4 * number:X}\n"
    return text


_OVER = 'over = [{ area = "station-code", offset = 0, size = 0xFFC }]'
_CRC_AT = 'at = { area = "station-code", offset = 0xFFC }'
_CRC_16 = "{ width = 16, poly = 0x1021, init = 0, refin = false, refout = false, xorout = 0 }"
_THIRD_CORE = '[core.third]\nrole = "secondary"\narchitecture = "armv7-m"\ninterrupts = 0\n'
_REGISTERS = "vector_register = 0x5000_0000\ncontrol_register = 0x5000_0004\nrelease_value = 0\n"
_COPIED_BY = 'copied_by = { build = "station", length = "sampler_size" }'
_BUILDS = """\
[build.station]
core = "station"
stored_in = "station-code"

[build.sampler]
core = "sampler"
stored_in = "sampler-code"
"""

OF_NAMES = [
    Faulty(
        "view-of-no-core",
        "views = { smapler",
        "unknown core: memory.ram.views.smapler; found smapler; expected one of sampler, "
        'station; did you mean "sampler"?',
        {"views = { sampler": "views = { smapler"},
    ),
    Faulty(
        "ram-of-no-area",
        '"sampler-runs"',
        "unknown area: core.sampler.ram[1]; found sampler-runs; expected one of <areas>; "
        'did you mean "sampler-run"?',
        {'"sampler-ram", "sampler-run"]': '"sampler-ram", "sampler-runs"]'},
    ),
    Faulty(
        "area-in-no-memory",
        "spare = ",
        "unknown memory: area.spare.memory; found flsh; expected one of control, flash, "
        'ram; did you mean "flash"?',
        {'spare = { memory = "flash"': 'spare = { memory = "flsh"'},
    ),
    Faulty(
        "build-for-no-core",
        'core = "stations"',
        "unknown core: build.station.core; found stations; expected one of sampler, "
        'station; did you mean "station"?',
        {'core = "station"\n': 'core = "stations"\n'},
    ),
    Faulty(
        "build-in-no-area",
        'stored_in = "nowhere"',
        "unknown area: build.station.stored_in; found nowhere; expected one of <areas>",
        {'stored_in = "station-code"': 'stored_in = "nowhere"'},
    ),
    Faulty(
        "copied-by-no-build",
        "copied_by",
        "unknown build: build.sampler.copied_by.build; found stations; expected one of sampler, "
        'station; did you mean "station"?',
        {
            'stored_in = "sampler-code"': 'stored_in = "sampler-code"\nruns_in = "sampler-run"\n'
            + _COPIED_BY.replace("station", "stations")
        },
    ),
    Faulty(
        "also-in-no-area",
        "also_stored_in",
        "unknown area: build.station.also_stored_in[0]; found station-data; expected one "
        'of <areas>; did you mean "station-ram"?',
        {'stored_in = "station-code"': 'stored_in = "station-code"\nalso_stored_in = ["station-data"]'},
    ),
    Faulty(
        "runs-in-no-area",
        "runs_in",
        "unknown area: build.sampler.runs_in; found x; expected one of <areas>",
        {'stored_in = "sampler-code"': 'stored_in = "sampler-code"\nruns_in = "x"'},
    ),
    Faulty(
        "contract-over-no-area",
        'area = "lnik"',
        'unknown area: contract.link.area; found lnik; expected one of <areas>; did you mean "link"?',
        {'area = "link"': 'area = "lnik"'},
    ),
    Faulty(
        "boot-symbol-of-no-build",
        "boot_symbol",
        "unknown build: contract.link.boot_symbol.build; found statio; expected one of "
        'sampler, station; did you mean "station"?',
        {'boot_symbol = { build = "station"': 'boot_symbol = { build = "statio"'},
    ),
    Faulty(
        "record-in-no-area",
        'area = "records"',
        'unknown area: record.area; found records; expected one of <areas>; did you mean "record"?',
        {'[record]\narea = "record"': '[record]\narea = "records"'},
    ),
    Faulty(
        "seal-in-no-area",
        'area = "seals"',
        'unknown area: seal.area; found seals; expected one of <areas>; did you mean "seal"?',
        add='[seal]\narea = "seals"\n',
    ),
    Faulty(
        "stamp-at-symbol-of-no-build",
        "image_length",
        "unknown build: stamp[0].at.build; found start; expected one of sampler, station;"
        ' did you mean "station"?',
        {_AT: 'at = { build = "start", symbol = "image_length" }'},
    ),
    Faulty(
        "stamp-in-no-area",
        'area = "header"',
        "unknown area: stamp[0].at.area; found header; expected one of <areas>",
        {_AT: 'at = { area = "header", offset = 4 }'},
    ),
    Faulty(
        "vectors-of-no-build",
        "vectors_of",
        "unknown build: stamp[0].value.vectors_of; found station-code; expected one of "
        'sampler, station; did you mean "station"?',
        {_VALUE: 'value = { vectors_of = "station-code" }'},
    ),
    Faulty(
        "size-of-nothing",
        "size_of",
        "unknown build or area: stamp[0].value.size_of; found stations; expected one of "
        "link, record, sampler, sampler-code, sampler-ram, sampler-run, seal, spare, station, "
        'station-code, station-ram; did you mean "station"?',
        {_VALUE: 'value = { size_of = "stations" }'},
    ),
    Faulty(
        "checksum-over-no-area",
        "over = ",
        "unknown area: checksum[0].over[0]; found station-cod; expected one of <areas>; "
        'did you mean "station-code"?',
        {_OVER: 'over = ["station-cod"]'},
    ),
    Faulty(
        "checksum-over-part-of-no-area",
        "over = ",
        "unknown area: checksum[0].over[0].area; found code; expected one of <areas>",
        {'over = [{ area = "station-code"': 'over = [{ area = "code"'},
    ),
    Faulty(
        "checksum-over-no-build",
        "over = ",
        "unknown build: checksum[0].over[0].build; found boot; expected one of sampler, station",
        {_OVER: 'over = [{ build = "boot" }]'},
    ),
    Faulty(
        "exception-of-no-area",
        "except = ",
        "unknown area: checksum[0].except[0]; found x; expected one of <areas>",
        {_OVER: 'over = ["station-code"]\nexcept = ["x"]'},
    ),
    Faulty(
        "checksum-at-symbol-of-no-build",
        'symbol = "crc"',
        "unknown build: checksum[0].at.build; found app; expected one of sampler, station",
        {_CRC_AT: 'at = { build = "app", symbol = "crc" }'},
    ),
]

OF_MEMORIES = [
    Faulty(
        "no-flash",
        "[memory.flash]",
        "there is no memory for an image: memory; found flash (ram), ram (ram), control (device);"
        " expected a memory of kind flash or rom",
        {'kind = "flash"': 'kind = "ram"'},
        count=6,
    ),
    Faulty(
        "memory-behind-address-space",
        "start = 0xFFFF_E000",
        "memory ends after the address space: memory.control.start; found 16 KiB (16,384 bytes) from "
        "0xFFFF_E000; expected an end of at most 0xFFFF_FFFF; correct start or size",
        {'start = 0x5000_0000\nsize = "4 KiB"': 'start = 0xFFFF_E000\nsize = "16 KiB"'},
    ),
    Faulty(
        "alias-behind-address-space",
        "aliases = ",
        "memory ends after the address space: memory.flash.aliases[1]; found 16 KiB (16,384 bytes) from "
        "0xFFFF_F000; expected an end of at most 0xFFFF_FFFF; correct start or size",
        {"write_unit = 8": "write_unit = 8\naliases = [0x0, 0xFFFF_F000]"},
    ),
    Faulty(
        "view-behind-address-space",
        "views = ",
        "memory ends after the address space: memory.ram.views.sampler; found 16 KiB (16,384 bytes) "
        "from 0xFFFF_FF00; expected an end of at most 0xFFFF_FFFF; correct start or size",
        {"views = { sampler = 0x3000_0000 }": "views = { sampler = 0xFFFF_FF00 }"},
    ),
    Faulty(
        "memory-at-a-decimal-number",
        "start = 5000_0000",
        "memory starts at a decimal number: memory.control.start; found 50000000, which is 0x02FA_F080; expected an "
        "address that is a multiple of 1 KiB (1,024 bytes); write 0x before it: 0x5000_0000",
        {'start = 0x5000_0000\nsize = "4 KiB"': 'start = 5000_0000\nsize = "4 KiB"'},
    ),
    Faulty(
        "memory-of-broken-blocks",
        "erase_block = ",
        "memory is not whole erase blocks: memory.flash.erase_block; found 3 KiB (3,072 bytes) "
        "blocks in 16 KiB (16,384 bytes); expected a divisor of its size; blocks of several "
        "sizes: describe each stretch of equal blocks as a memory of its own",
        {'erase_block = "1 KiB"': 'erase_block = "3 KiB"'},
    ),
    Faulty(
        "write-unit-of-12",
        "write_unit = ",
        "write unit is not a power of two: memory.flash.write_unit; found 12; expected 1, 2, 4, 8 and so on",
        {"write_unit = 8": "write_unit = 12"},
    ),
    Faulty(
        "write-unit-above-erase-block",
        "write_unit = ",
        "write units do not fit: memory.flash.write_unit; found 2 KiB (2,048 bytes); expected a divisor "
        "of the erase block of 1 KiB (1,024 bytes); correct write_unit, or the size",
        {"write_unit = 8": 'write_unit = "2 KiB"'},
    ),
    Faulty(
        "write-unit-above-memory",
        "write_unit = ",
        "write units do not fit: memory.flash.write_unit; found 32 KiB (32,768 bytes); expected a "
        "divisor of size 16 KiB (16,384 bytes); correct write_unit, or the size",
        {'erase_block = "1 KiB"\n': "", "write_unit = 8": 'write_unit = "32 KiB"'},
    ),
    Faulty(
        "view-of-the-primary",
        "views = ",
        "a view of the primary: memory.ram.views.station; found 0x3000_0000; expected views of "
        "secondaries, as station sees it at its start; give start as the primary sees it, and "
        "further addresses as aliases",
        {"views = { sampler = 0x3000_0000 }": "views = { station = 0x3000_0000 }"},
    ),
    Faulty(
        "memories-overlap",
        "[memory.control]",
        "memories overlap at their starts or aliases: ram and control: memory.control; found "
        "0x2000_0000..0x2000_3FFF and 0x2000_3000..0x2000_3FFF; expected separate memories; correct "
        "start or size of one of them, or its aliases and views",
        {"start = 0x5000_0000": "start = 0x2000_3000"},
    ),
    Faulty(
        "memories-overlap-for-the-secondary",
        "[memory.control]",
        "memories overlap as sampler sees them: ram and control: memory.control; found "
        "0x3000_0000..0x3000_3FFF and 0x3000_3000..0x3000_3FFF; expected separate memories; correct "
        "start or size of one of them, or its aliases and views",
        {"start = 0x5000_0000": "start = 0x3000_3000"},
    ),
    Faulty(
        "alias-over-other-memory",
        "[memory.ram]",
        "memories overlap at their starts or aliases: flash and ram: memory.ram; found "
        "0x2000_0000..0x2000_3FFF and 0x2000_0000..0x2000_3FFF; expected separate memories; correct "
        "start or size of one of them, or its aliases and views",
        {"write_unit = 8": "write_unit = 8\naliases = [0x2000_0000]"},
    ),
    Faulty(
        "alias-over-itself",
        "[memory.flash]",
        "memory overlaps its own alias or view: memory.flash; found 0x1000_0000..0x1000_3FFF and "
        "0x1000_2000..0x1000_5FFF; expected aliases apart by at least its size; correct start or size "
        "of one of them, or its aliases and views",
        {"write_unit = 8": "write_unit = 8\naliases = [0x1000_2000]"},
    ),
]

OF_CORES = [
    Faulty(
        "two-primaries",
        'role = "primary" #',
        "a device has one primary core: core.sampler.role; found station, sampler; expected one "
        'core with role = "primary"; set role = "secondary" in all but one of station, sampler',
        {
            'role = "secondary"': 'role = "primary" #',
            "[core.sampler.release]": f"{_THIRD_CORE}[core.third.release]",
        },
    ),
    Faulty(
        "no-primary",
        "[core.station]",
        'a device has one primary core: core; found none; expected one core with role = "primary"',
        {'role = "primary"': 'role = "secondary"'},
        count=2,
    ),
    Faulty(
        "fp-on-armv6-m",
        'extensions = ["security"]',
        "an extension that armv6-m does not have: core.station.extensions[0]; found security; "
        "expected any of mpu",
        {'architecture = "armv8-m.main"\nextensions': 'architecture = "armv6-m"\nextensions'},
    ),
    Faulty(
        "core-for-architecture",
        'architecture = "m33"',
        'unknown value: core.station.architecture; found "m33"; expected one of "armv6-m", "armv7-m", '
        '"armv7e-m", "armv8-m.base", "armv8-m.main", "armv8.1-m.main"; write the core\'s architecture, not its name: '
        "`gemel draft NAME=BUILD` reads it from a build",
        {'architecture = "armv8-m.main"\nextensions': 'architecture = "m33"\nextensions'},
    ),
    Faulty(
        "too-many-interrupts",
        "interrupts = 48",
        "more interrupts than armv6-m has: core.sampler.interrupts; found 48; expected at most 32; "
        "correct interrupts, or the architecture",
        {'architecture = "armv8-m.main"\ninterrupts = 16': 'architecture = "armv6-m"\ninterrupts = 48'},
    ),
    Faulty(
        "vector-alignment-of-96",
        "vector_alignment",
        "alignment is not a power of two: core.station.vector_alignment; found 96; expected 128, "
        "256, 512 and so on",
        {'extensions = ["security"]': "vector_alignment = 96"},
    ),
    Faulty(
        "release-of-the-primary",
        "[core.station.release]",
        "the primary starts at reset: core.station.release; found a release; expected none; move the "
        "table to the secondary, or correct the role",
        {"[core.sampler]": f"[core.station.release]\n{_REGISTERS}\n[core.sampler]"},
    ),
    Faulty(
        "reset-vectors-of-a-secondary",
        "reset_vectors",
        "a secondary does not start at reset: core.sampler.reset_vectors; found 0x1000_0000; "
        "expected none; its vectors come from the build: see vector_offset",
        {'role = "secondary"': 'role = "secondary"\nreset_vectors = 0x1000_0000'},
    ),
    Faulty(
        "release-value-outside-mask",
        "release_value",
        "value outside its mask: core.sampler.release.release_value; found 0x0000_0003; expected only "
        "bits of the mask 0x0000_0001; add the bits to the mask, or take them out of the value",
        {"release_value = 0x1": "release_value = 0x3"},
    ),
    Faulty(
        "key-outside-mask",
        "key_value",
        "value outside its mask: core.sampler.release.key_value; found 0x0000_5AFE; expected only bits "
        "of the mask 0xFFFF_0000; add the bits to the mask, or take them out of the value",
        {"release_value = 0x1": "release_value = 0x1\nkey_mask = 0xFFFF_0000\nkey_value = 0x5AFE"},
    ),
    Faulty(
        "release-mask-of-no-bits",
        "release_mask",
        "a mask without bits: core.sampler.release.release_mask; found 0; expected the bits that "
        "let the core run",
        {"release_mask = 0x1\nrelease_value = 0x1": "release_mask = 0\nrelease_value = 0"},
    ),
    Faulty(
        "key-over-release-bits",
        "key_mask",
        "bits that are release and key at once: core.sampler.release.key_mask; found 0xFFFF_0000 "
        "in both masks; expected separate masks",
        {
            "release_mask = 0x1\n": "",
            "release_value = 0x1": "release_value = 0x1\nkey_mask = 0xFFFF_0000\nkey_value = 0",
        },
    ),
    Faulty(
        "register-in-ram",
        "vector_register",
        "a register outside device registers: core.sampler.release.vector_register; found 0x2000_0000, "
        "in memory ram; expected a device address; correct the address, or the kind of the memory",
        {"vector_register = 0x5000_0000": "vector_register = 0x2000_0000"},
    ),
    Faulty(
        "core-owns-flash",
        'ram = ["station-code"]',
        "not RAM: core.station.ram[0]; found station-code, in memory flash; expected an area of a ram "
        "memory; name an area of RAM: flash belongs to a core by its builds",
        {'ram = ["station-ram"]': 'ram = ["station-code"]'},
    ),
    Faulty(
        "core-owns-shared-ram",
        'ram = ["station-ram", "link"]',
        "an area that no core owns: core.station.ram[1]; found link, purpose shared; expected an "
        "area of purpose data or code; shared areas belong to no core",
        {'ram = ["station-ram"]': 'ram = ["station-ram", "link"]'},
    ),
    Faulty(
        "two-cores-own-one-area",
        'ram = ["sampler-ram", "station-ram"]',
        "area already owned by core station: core.sampler.ram[1]; found station-ram; expected "
        "each area once; give what both use purpose shared",
        {'ram = ["sampler-ram", "sampler-run"]': 'ram = ["sampler-ram", "station-ram"]'},
    ),
    Faulty(
        "contract-over-unshared-area",
        'area = "sampler-run"',
        "a contract is about shared RAM: contract.link.area; found sampler-run, purpose code; expected "
        "an area of purpose shared; name a shared area, or correct the purpose of this one",
        {'area = "link"': 'area = "sampler-run"'},
    ),
    Faulty(
        "contract-names-a-symbol-twice",
        'symbols = ["link_frames"',
        "named twice in this contract: contract.link.symbols[1]; found link_frames; expected each name once",
        {'symbols = ["link_frames"]': 'symbols = ["link_frames", "link_frames"]'},
    ),
    Faulty(
        "contract-names-a-type-twice",
        "types =",
        "named twice in this contract: contract.link.types[2]; found struct a; expected each name once",
        {'symbols = ["link_frames"]': 'types = ["struct a", "union b", "struct a"]'},
    ),
    Faulty(
        "contract-names-a-constant-twice",
        "constants =",
        "named twice in this contract: contract.link.constants[1]; found VERSION; expected each name once",
        {'symbols = ["link_frames"]': 'constants = ["VERSION", "VERSION"]'},
    ),
    Faulty(
        "pointers-of-no-types",
        "follow_pointers",
        "pointers of no types cannot be followed: contract.link.follow_pointers; found a contract without "
        "types; expected types, or no follow_pointers",
        {'symbols = ["link_frames"]': "follow_pointers = true"},
    ),
    Faulty(
        "boot-symbol-in-the-secondary",
        "boot_symbol",
        "the primary starts the secondary: contract.link.boot_symbol.build; found sampler of core "
        "sampler; expected a build of the primary; name the build that writes the address to the vector "
        "register",
        {'boot_symbol = { build = "station"': 'boot_symbol = { build = "sampler"'},
    ),
]

OF_AREAS = [
    Faulty(
        "memory-without-its-unit",
        "size = 16",
        "memory flash ends before 5 of its areas: station-code, sampler-code, spare, record and more: "
        "memory.flash.size; found 16 bytes; expected at least 12 KiB (12,288 bytes), or areas that end earlier; "
        '16 is a number of bytes: is "16 KiB" meant?',
        {'start = 0x1000_0000\nsize = "16 KiB"': "start = 0x1000_0000\nsize = 16"},
    ),
    Faulty(
        "offset-without-its-unit",
        "sampler-run = ",
        "areas overlap: station-ram and sampler-run share 0x2000_000D..0x2000_0C0C: area.sampler-run; found "
        "station-ram "
        "0x2000_0000..0x2000_1FFF, sampler-run 0x2000_000D..0x2000_0C0C; expected separate areas; "
        '13 is a number of bytes: is "13 KiB" meant?',
        {'sampler-run = { memory = "ram", offset = "13 KiB"': 'sampler-run = { memory = "ram", offset = 13'},
    ),
    Faulty(
        "area-behind-its-memory",
        "sampler-run = ",
        "area ends after its memory: area.sampler-run; found 0x2000_3400..0x2000_43FF, 4 KiB "
        "(4,096 bytes); expected inside memory ram, 0x2000_0000..0x2000_3FFF",
        {'offset = "13 KiB", size = "3 KiB"': 'offset = "13 KiB", size = "4 KiB"'},
    ),
    Faulty(
        "area-in-registers",
        "spare = ",
        "area in device registers: area.spare.memory; found control; expected a memory of kind flash, "
        "ram or rom; name another memory, or correct the kind of this one",
        {
            'spare = { memory = "flash"': 'spare = { memory = "control"',
            'offset = "8 KiB", size = "2 KiB"': 'offset = 0, size = "2 KiB"',
        },
    ),
    Faulty(
        "areas-overlap",
        "spare = ",
        "areas overlap: sampler-code and spare share 0x1000_1C00..0x1000_1FFF: area.spare; found "
        "sampler-code 0x1000_1000..0x1000_1FFF, spare 0x1000_1C00..0x1000_27FF; expected separate "
        'areas; make sampler-code smaller (size = "3 KiB" or less), or move spare (offset = "8 KiB" or more)',
        {'offset = "8 KiB", size = "2 KiB"': 'offset = "7 KiB", size = "3 KiB"'},
    ),
    Faulty(
        "no-build",
        "[build]",
        "the layout has no build: build; found none; expected at least one [build.NAME]; gemel draft "
        "NAME=BUILD ... writes a layout with its builds",
        {
            _BUILDS: "[build]\n",
            'boot_symbol = { build = "station", symbol = "sampler_start_address" }\n': "",
            _AT: "at = 0x1000_0100",
            _VALUE: "value = 7",
        },
    ),
    Faulty(
        "build-stored-in-ram",
        'stored_in = "sampler-run"',
        "a build is stored in flash: build.sampler.stored_in; found sampler-run, in memory ram"
        "; expected an area of a flash or rom memory; where it runs is said with runs_in",
        {'stored_in = "sampler-code"': 'stored_in = "sampler-run"'},
    ),
    Faulty(
        "build-stored-in-reserved-area",
        'stored_in = "spare"',
        "an area that is not for builds: build.sampler.stored_in; found spare, purpose reserved; "
        "expected an area of purpose code or data; name another area, or correct its purpose",
        {'stored_in = "sampler-code"': 'stored_in = "spare"'},
    ),
    Faulty(
        "two-builds-in-one-area",
        'stored_in = "station-code" # 2',
        "area already taken by build station: build.sampler.stored_in; found station-code; "
        "expected an area of its own; no build is in sampler-code",
        {'stored_in = "sampler-code"': 'stored_in = "station-code" # 2'},
    ),
    Faulty(
        "build-twice-in-its-area",
        "also_stored_in",
        "area already taken by build sampler: build.sampler.also_stored_in[0]; found "
        "sampler-code; expected an area of its own; add an area for build sampler",
        {'stored_in = "sampler-code"': 'stored_in = "sampler-code"\nalso_stored_in = ["sampler-code"]'},
    ),
    Faulty(
        "build-runs-in-flash",
        "runs_in",
        "a copied build runs in RAM: build.sampler.runs_in; found sampler-code, in memory flash; "
        "expected an area of a ram memory; a build that runs where it is stored has no runs_in",
        {'stored_in = "sampler-code"': 'stored_in = "sampler-code"\nruns_in = "sampler-code"'},
    ),
    Faulty(
        "build-runs-in-shared-area",
        "runs_in",
        "an area that is not for builds: build.sampler.runs_in; found link, purpose shared; expected an "
        "area of purpose code or data; name another area, or correct its purpose",
        {'stored_in = "sampler-code"': 'stored_in = "sampler-code"\nruns_in = "link"'},
    ),
    Faulty(
        "two-cores-run-in-one-area",
        'runs_in = "sampler-run" # 2',
        "two cores run code in one area: build.sampler.runs_in; found sampler-run, where core station "
        "runs code; expected an area of its own; add an area of ram for one of the builds",
        {
            'ram = ["sampler-ram", "sampler-run"]': 'ram = ["sampler-ram"]',
            'stored_in = "station-code"\n': 'stored_in = "station-code"\nruns_in = "sampler-run"\n',
            'stored_in = "sampler-code"': 'stored_in = "sampler-code"\nruns_in = "sampler-run" # 2',
        },
    ),
    Faulty(
        "build-runs-in-another-cores-ram",
        "runs_in",
        "a build runs in another core's RAM: build.sampler.runs_in; found station-ram, of core station; "
        "expected an area of core sampler, or of none; name another area, or take station-ram out of "
        "the ram of core station",
        {'stored_in = "sampler-code"': 'stored_in = "sampler-code"\nruns_in = "station-ram"'},
    ),
    Faulty(
        "copy-of-what-runs-in-place",
        "copied_by",
        "a build that runs where it is stored is not copied: build.sampler.copied_by; found no runs_in; "
        "expected runs_in, or no copied_by; add runs_in, the area of RAM that it is copied to, or take "
        "copied_by out",
        {'stored_in = "sampler-code"': 'stored_in = "sampler-code"\n' + _COPIED_BY},
    ),
    Faulty(
        "copied-by-the-secondary",
        "copied_by",
        "the primary copies a build: build.sampler.copied_by.build; found sampler of core sampler; "
        "expected a build of the primary; name the build whose code copies it",
        {
            'stored_in = "sampler-code"': 'stored_in = "sampler-code"\nruns_in = "sampler-run"\n'
            + _COPIED_BY.replace("station", "sampler")
        },
    ),
    Faulty(
        "copy-without-constants",
        "copied_by",
        "no constant of the copy is named: build.sampler.copied_by; found only build; expected source, "
        "destination or length",
        {
            'stored_in = "sampler-code"': 'stored_in = "sampler-code"\nruns_in = "sampler-run"\n'
            'copied_by = { build = "station" }'
        },
    ),
    Faulty(
        "vectors-behind-the-area",
        "vector_offset",
        "vector table after its area: build.sampler.vector_offset; found 0x1000; expected inside area "
        "sampler-code of 4 KiB (4,096 bytes); correct vector_offset, or the size of the area",
        {'stored_in = "sampler-code"': 'stored_in = "sampler-code"\nvector_offset = "4 KiB"'},
    ),
    Faulty(
        "vectors-not-at-a-word",
        "vector_offset",
        "vector table not at a word: build.sampler.vector_offset; found 0x102; expected a multiple of "
        "4; correct vector_offset: it counts bytes from the start of the build",
        {'stored_in = "sampler-code"': 'stored_in = "sampler-code"\nvector_offset = 0x102'},
    ),
    Faulty(
        "record-in-the-seals-area",
        'area = "seal"',
        "wrong area for the record: record.area; found seal, purpose seal, in memory flash; expected "
        "purpose record, in flash; name an area of purpose record in flash, or correct the purpose of "
        "seal",
        {'[record]\narea = "record"': '[record]\narea = "seal"'},
    ),
    Faulty(
        "seal-in-the-records-area",
        'area = "record" # seal',
        "wrong area for the seal: seal.area; found record, purpose record, in memory flash; expected "
        "purpose seal, in flash; name an area of purpose seal in flash, or correct the purpose of record",
        add='[seal]\narea = "record" # seal\n',
    ),
    Faulty(
        "second-area-for-a-seal",
        'other = { memory = "flash"',
        "a second area for a seal, which no digest and no signature would cover: area.other.purpose; found "
        "other, next to seal; expected one area of purpose seal: that of [seal]; take it out, or give it another "
        "purpose",
        {
            "seal = { memory": 'other = { memory = "flash", offset = "12 KiB", size = "1 KiB", purpose = "seal" }\n'
            "seal = { memory"
        },
        '[seal]\narea = "seal"\n',
    ),
    Faulty(
        "record-too-large-for-its-area",
        'area = "record"',
        "a record of 2 builds does not fit: record.area; found record of 512 bytes; expected at least "
        "516 bytes; make the area larger",
        {'offset = "10 KiB", size = "1 KiB"': 'offset = "10 KiB", size = 512'},
    ),
    Faulty(
        "record-not-aligned",
        'area = "record"',
        "the record's area is not aligned: record.area; found 0x1000_2802; expected a start at a "
        "multiple of 4; correct the offset of the area, or the start of its memory",
        {'offset = "10 KiB", size = "1 KiB"': "offset = 10242, size = 1000"},
    ),
    Faulty(
        "class-without-vendor",
        "class = ",
        "a class given as text needs a vendor: record.class; found small device; expected vendor;"
        " add vendor, or give class as a UUID",
        {'vendor = "harbour.example"\n': ""},
    ),
    Faulty(
        "seventeen-builds",
        "[record]",
        "more builds than a record can hold: record; found 17; expected at most 16",
        {
            'spare = { memory = "flash", offset = "8 KiB", size = "2 KiB", purpose = "reserved" }\n': "".join(
                f'part-{index} = {{ memory = "flash", offset = {0x2000 + 128 * index}, '
                f'size = 128, purpose = "data" }}\n'
                for index in range(15)
            ),
            'offset = "10 KiB", size = "1 KiB"': 'offset = "12 KiB", size = "4 KiB"',
        },
        "".join(
            f'[build.part-{index}]\ncore = "station"\nstored_in = "part-{index}"\n' for index in range(15)
        ),
    ),
]

OF_VALUES = [
    Faulty(
        "name-used-twice",
        'name = "station-length" # 2',
        "name used twice: checksum[0].name; found station-length; expected a name of its own for "
        "each stamp and checksum",
        {'name = "station-crc"': 'name = "station-length" # 2'},
    ),
    Faulty(
        "a-value-called-record",
        'name = "record"',
        "the record's own name: checksum[0].name; found record; expected another name",
        {'name = "station-crc"': 'name = "record"'},
    ),
    Faulty(
        "number-wider-than-stamp",
        "value = 0x1_0000",
        "value wider than its stamp: stamp[0].value; found 0x10000; expected at most 16 bits; correct "
        "width or value",
        {"width = 4\n" + _VALUE: "width = 2\nvalue = 0x1_0000"},
    ),
    Faulty(
        "text-longer-than-stamp",
        'value = "tide\u00e9"',
        "text longer than its stamp: stamp[0].value; found 6 bytes; expected at most its width of 4; "
        "correct width or value",
        {_VALUE: 'value = "tide\u00e9"'},
    ),
    Faulty(
        "unit-of-no-size",
        "unit = 4",
        "a unit of what is no size: stamp[0].unit; found 4 bytes; expected value = { size_of = NAME }, or "
        "no unit; take unit out",
        {_VALUE: 'unit = 4\nvalue = { start_of = "station" }'},
    ),
    Faulty(
        "digest-wider-than-stamp",
        "width = 4",
        "a SHA-256 does not fit: stamp[0].width; found 4 bytes; expected 32 bytes; width = 32, in an "
        "area with room for it",
        {_VALUE: 'value = { sha256_of = "station" }'},
    ),
    Faulty(
        "stamp-behind-its-area",
        "offset = 0xFFE",
        "place ends after its area: stamp[0].at; found 0x1000_1FFE..0x1000_2001; expected inside area "
        "sampler-code, 0x1000_1000..0x1000_1FFF; correct the offset, or the size of the area",
        {_AT: 'at = { area = "sampler-code", offset = 0xFFE }'},
    ),
    Faulty(
        "stamp-outside-flash",
        "at = 0x2000_0000",
        "place is not in flash: stamp[0].at; found 0x2000_0000..0x2000_0003; expected inside one "
        "flash or rom memory",
        {_AT: "at = 0x2000_0000"},
    ),
    Faulty(
        "stamp-at-an-alias",
        "at = 0x0000_0100",
        "place is not in flash: stamp[0].at; found 0x0000_0100..0x0000_0103; expected inside one "
        "flash or rom memory; this is another address of flash: write 0x1000_0100",
        {"write_unit = 8": "write_unit = 8\naliases = [0x0]", _AT: "at = 0x0000_0100"},
    ),
    Faulty(
        "stamp-in-reserved-area",
        "at = 0x1000_2000",
        "place is in an area that is not free: stamp[0].at; found 0x1000_2000..0x1000_2003 in area "
        "spare, purpose reserved; expected an area of purpose code or data; name another area, or "
        "correct the purpose of this one",
        {_AT: "at = 0x1000_2000"},
    ),
    Faulty(
        "stamp-in-the-record",
        'area = "record", offset',
        "place is in an area that is not free: stamp[0].at; found 0x1000_2A00..0x1000_2A03 in area "
        "record, purpose record; expected an area of purpose code or data; name another area, or "
        "correct the purpose of this one",
        {_AT: 'at = { area = "record", offset = 512 }'},
    ),
    Faulty(
        "two-values-at-one-place",
        "at = 0x1000_0FFE # 2",
        "two values are written to the same bytes: checksum[0].at; found station-length "
        "0x1000_0FFA..0x1000_1001, station-crc 0x1000_0FFE..0x1000_1001; expected separate places; move "
        "one of them, or correct its width",
        {_AT: "at = 0x1000_0FFA", _CRC_AT: "at = 0x1000_0FFE # 2", "width = 4": "width = 8"},
    ),
    Faulty(
        "checksum-over-nothing",
        "over = []",
        "a checksum over nothing: checksum[0].over; found an empty list; expected at least one range",
        {_OVER: "over = []"},
    ),
    Faulty(
        "range-behind-its-area",
        "over = ",
        "range ends after its area: checksum[0].over[0]; found offset 0x10, size 4096; expected inside "
        "4 KiB (4,096 bytes); correct offset or size of the range, or the size of the area",
        {_OVER: 'over = [{ area = "station-code", offset = 0x10, size = 0x1000 }]'},
    ),
    Faulty(
        "range-that-starts-behind-its-area",
        "over = ",
        "range ends after its area: checksum[0].over[0]; found offset 0x1000, size to the end; expected "
        "inside 4 KiB (4,096 bytes); correct offset or size of the range, or the size of the area",
        {_OVER: 'over = [{ area = "station-code", offset = 0x1000 }]'},
    ),
    Faulty(
        "range-in-ram",
        "over = ",
        "range is not in flash: checksum[0].over[0]; found 0x2000_0000..0x2000_1FFF; expected "
        "inside one flash or rom memory",
        {_OVER: 'over = ["station-ram"]'},
    ),
    Faulty(
        "range-outside-memories",
        "over = ",
        "range is not in flash: checksum[0].over[1]; found 0x0000_0000..0x0000_0003; expected "
        "inside one flash or rom memory",
        {_OVER: "over = [{ start = 0x1000_0000, size = 0xFF0 }, { start = 0, size = 4 }]"},
    ),
    Faulty(
        "range-as-the-sampler-sees-it",
        "over = ",
        "range is not in flash: checksum[0].over[0]; found 0x0800_0000..0x0800_0FEF; expected "
        "inside one flash or rom memory; this is another address of flash: write 0x1000_0000",
        {
            "start = 0x1000_0000\n": "start = 0x1000_0000\nviews = { sampler = 0x0800_0000 }\n",
            _OVER: "over = [{ start = 0x0800_0000, size = 0xFF0 }]",
        },
    ),
    Faulty(
        "exception-of-nothing",
        "except = ",
        "an exception that leaves nothing out: checksum[0].except[0]; found 0x1000_1000..0x1000_1003; "
        "expected bytes of what it covers: 0x1000_0000..0x1000_0FFB; take it out, or correct where it is",
        {_OVER: _OVER + "\nexcept = [{ start = 0x1000_1000, size = 4 }]"},
    ),
    Faulty(
        "everything-left-out",
        "except = ",
        "everything is left out: checksum[0].except; found no byte to cover; expected fewer exceptions",
        {_OVER: _OVER + '\nexcept = ["station-code"]'},
    ),
    Faulty(
        "checksum-over-itself",
        "at = { area",
        "a checksum over its own place: checksum[0].at; found station-crc is written to "
        "0x1000_0FFC, which it covers; expected a place it does not cover; add its place to "
        'except, as { area = "station-code", offset = 0xFFC, size = 4 }',
        {_OVER: 'over = ["station-code"]'},
    ),
    Faulty(
        "checksum-over-part-of-itself",
        "at = 0x1000_0FFB",
        "a checksum over its own place: checksum[0].at; found station-crc is written to "
        "0x1000_0FFB, which it covers; expected a place it does not cover; add its place to "
        "except, as { start = 0x1000_0FFB, size = 2 }",
        {'algorithm = "CRC-32/ISO-HDLC"': f"algorithm = {_CRC_16}", _CRC_AT: "at = 0x1000_0FFB"},
    ),
    Faulty(
        "more-ranges-than-looked-at",
        'over = ["sampler-code"]',
        "too many ranges in checksums: checksum[17].over; found 4,097 in over and except of all checksums; expected at "
        "most 4,096; cover more with each range, or leave out fewer",
        {_CRC_AT: f"{_CRC_AT}\n{checksums_of_ranges(255)}"},
    ),
    Faulty(
        "more-covered-than-gone-through",
        "[[checksum]]",
        "checksums and SHA-256 stamps cover more than gemel goes through: checksum; found 268,435,472 "
        "bytes; expected at most 256 MiB (268,435,456 bytes), a sum counted 4 times; cover fewer bytes, "
        "or correct the sizes of the areas",
        {
            'size = "16 KiB"\nerase_block': 'size = "256 MiB"\nerase_block',
            _OVER: "over = [{ start = 0x1400_0000, size = 0x3FF_F000 }, { start = 0x1400_0000, size = 0x1004 }]",
            'algorithm = "CRC-32/ISO-HDLC"': 'algorithm = "sum-32"',
        },
    ),
    Faulty(
        "more-flash-than-a-digest-goes-through",
        "[record]",
        "more flash than the digest of a record goes through: record; found 1,048,580 KiB "
        "(1,073,745,920 bytes); expected at most 1 GiB (1,073,741,824 bytes); correct the sizes of the "
        "memories, or take [record] out",
        add='[memory.second]\nkind = "flash"\nstart = 0x6000_0000\nsize = 0x3FFF_D000\n',
    ),
]

OF_SECURITY = [
    Faulty(
        "attribution-without-extension",
        "station-code = ",
        "no core distinguishes secure from non-secure: area.station-code.security; found secure; "
        'expected a core with "security" among its extensions; add "security" to the core that has it, '
        "or take security out of the area",
        {
            'extensions = ["security"]': "extensions = []",
            'size = "4 KiB", purpose = "code" }\nsampler': 'size = "4 KiB", purpose = "code",'
            ' security = "secure" }\nsampler',
        },
    ),
    Faulty(
        "attributions-without-extension",
        "station-code = ",
        "no core distinguishes secure from non-secure: area.station-code.security; found secure (2 areas in all); "
        'expected a core with "security" among its extensions; add "security" to the core that has it, '
        "or take security out of the area",
        {
            'extensions = ["security"]': "extensions = []",
            'size = "4 KiB", purpose = "code" }\nsampler': 'size = "4 KiB", purpose = "code",'
            ' security = "secure" }\nsampler',
            'size = "8 KiB", purpose = "data" }': 'size = "8 KiB", purpose = "data", security = "secure" }',
        },
    ),
    Faulty(
        "data-to-call-into",
        "station-ram = ",
        "an area to call into holds code: area.station-ram.security; found non-secure-callable, "
        "purpose data; expected purpose code; only the veneers belong there: give them an area of their own",
        {
            'size = "8 KiB", purpose = "data" }': 'size = "8 KiB", purpose = "data",'
            ' security = "non-secure-callable" }'
        },
    ),
]

ALL = [*OF_NAMES, *OF_MEMORIES, *OF_CORES, *OF_AREAS, *OF_SECURITY, *OF_VALUES]
