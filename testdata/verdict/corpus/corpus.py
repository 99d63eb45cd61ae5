"""Every shape of start-up code, by each compiler, optimisation and architecture, right and with one fault each.

    PYTHONPATH=imgtool_src:tests:tests/support python testdata/verdict/corpus/corpus.py [copying-SHAPE|settings-FORM ...]

Prints each build whose findings are not those of its fault, and how many there were; half an hour for all.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import NamedTuple

from verdict_builds import FOLDER, LAYOUT, TODAY, broken_in, build_of

from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.checking.runner import check
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join
from gemel.layout.reader import read_layout

NOT_COPIED, ELSEWHERE = {"initialised-data-copied": 1}, {"start-copies-stored-data": 1}
NOT_CLEARED = {"cleared-data-cleared-whole": 1}
VTOR, RELEASE, FLOAT = (
    {"vector-register-own-table": 1},
    {"release-value-agrees": 1},
    {"float-enabled-before-use": 1},
)
FLOATS = "-DFLOAT -mfpu=fpv4-sp-d16 -mfloat-abi=hard"
COPYING: dict[str, tuple[str, dict[str, int]]] = {
    "sound": ("", {}),
    "late": ("-DLATE_WORDS=1", NOT_COPIED),
    "early": ("-DEARLY_WORDS=1", NOT_COPIED),
    "source": ("-DSOURCE_WORDS=1", ELSEWHERE),
    "place": ("-DPLACE_WORDS=1", ELSEWHERE),
    "clear-late": ("-DCLEAR_LATE=1", NOT_CLEARED),
    "clear-early": ("-DCLEAR_EARLY=1", NOT_CLEARED),
}
SETTINGS: dict[str, tuple[str, dict[str, int]]] = {
    "sound": ("", {}),
    "vtor-station": ("-DVTOR=STATION_CODE", VTOR),
    "vtor-nothing": ("-DVTOR=OWN_CODE+0x4000", VTOR),
    "released": ("-DSTATION", {}),
    "release-value": ("-DSTATION -DSTART_VALUE=2u", RELEASE),
    "release-table": ("-DSTATION -DSTART_TABLE=STATION_CODE", RELEASE),
    "float": (FLOATS, {}),
    "float-late": (f"{FLOATS} -DENABLE_LATE", FLOAT),
    "float-never": (f"{FLOATS} -DENABLE_NEVER", FLOAT),
    "at-main": ("-DRESET_AT_MAIN", {"reset-handler-in-code": 1}),
    "at-main-copying": ("-DRESET_AT_MAIN -DOWN_COPY", {"entry-point-agrees": 1}),
}
GROUPS = {"copying": (range(1, 14), COPYING), "settings": (range(1, 10), SETTINGS)}
ARCHITECTURES = ("armv6-m", "armv7-m", "armv7e-m", "armv8-m.base", "armv8-m.main")
OPTIMISED = ("-O0", "-O1", "-O2", "-O3", "-Os", "-O2 -flto", "-Os -DIN_ONE")
COMMON = (
    "-std=gnu11 -mthumb -ffreestanding -fno-common -ffunction-sections -fdata-sections -fno-pic -w"
).split()
LINKED = ("--gc-sections", "-z", "max-page-size=16", "--build-id=none")
GCC = ("arm-none-eabi-gcc", "-fno-tree-loop-distribute-patterns")
CLANG = ("clang", "--target=arm-none-eabi", "-fno-builtin", "-fno-unwind-tables", "-fshort-enums")
REGISTERS = (
    ("start = 0x4002_1000", "start = 0x5800_0000"),
    ("vector_register = 0x4002_1114", "vector_register = 0x5800_0010"),
    ("control_register = 0x4002_1118", "control_register = 0x5800_0014"),
    ("release_mask = 0x2\nrelease_value = 0x0", "release_mask = 0x1\nrelease_value = 0x1"),
)


class Case(NamedTuple):
    """One build: a shape of a group, compiled, with one fault or none."""

    group: str
    shape: int
    compiler: str
    optimised: str
    architecture: str
    fault: str

    @property
    def flags(self) -> str:
        """What makes the fault."""
        return GROUPS[self.group][1][self.fault][0]

    @property
    def expected(self) -> dict[str, int]:
        """The findings of each rule."""
        return GROUPS[self.group][1][self.fault][1]


def cases(names: list[str]) -> Iterator[Case]:
    """Two of the optimisations for each shape, compiler, architecture and fault."""
    for group, (shapes, faults) in GROUPS.items():
        for shape in shapes:
            for compiler in ("gcc", "clang"):
                for number, architecture in enumerate(ARCHITECTURES):
                    for at, fault in enumerate(faults):
                        for step in (0, 3):
                            turn = shape + number + at + (compiler == "clang") + step
                            optimised = OPTIMISED[turn % len(OPTIMISED)]
                            case = Case(group, shape, compiler, optimised, architecture, fault)
                            fits = FLOATS not in case.flags or architecture in ("armv7e-m", "armv8-m.main")
                            if fits and (not names or f"{group}-{shape}" in names):
                                yield case


def built(case: Case, folder: Path) -> Path:
    """The ELF file of a case."""
    out = folder / ("-".join(map(str, case)).replace(" ", "") + ".elf")
    command = [*(CLANG if case.compiler == "clang" else GCC), *COMMON, f"-march={case.architecture}"]
    if FLOATS not in case.flags:
        command.append("-mfloat-abi=soft")
    elif case.compiler == "gcc":
        command[-1] += "+fp"
    command += [*case.optimised.split(), f"-DSHAPE={case.shape}", f"-DFORM={case.shape}", "-I", str(FOLDER)]
    command += case.flags.split()
    source = str(FOLDER / "corpus" / f"{case.group}.c")
    script = str(folder / ("station.ld" if "-DSTATION" in case.flags else "sampler.ld"))
    if case.compiler == "clang":
        object_file = str(out.with_suffix(".o"))
        subprocess.run([*command, "-c", source, "-o", object_file], check=True)
        subprocess.run(["ld.lld", *LINKED, "-T", script, object_file, "-o", str(out)], check=True)
    else:
        linked = ["-nostdlib", "-Wl," + ",".join(LINKED), "-T", script]
        subprocess.run([*command, *linked, source, "-lgcc", "-o", str(out)], check=True)
    return out


def findings_of(file: Path, case: Case) -> dict[str, int]:
    """What is found in the build, beside a sound one for the other core."""
    text = LAYOUT.replace("ARCHITECTURE", case.architecture)
    for old, new in REGISTERS if case.group == "settings" else ():
        text = text.replace(old, new)
    if FLOATS in case.flags:
        text = text.replace('role = "secondary"\n', 'role = "secondary"\nextensions = ["fp"]\n')
    name = "station" if "-DSTATION" in case.flags else "sampler"
    other = "sampler" if name == "station" else "station"
    built_other = build_of(other, f"{other}-board-v6" if case.group == "settings" else f"{other}-v6")
    builds = {name: read_build(BytesSource(file.read_bytes(), file.name), name=name, file=file.name)}
    builds[other] = built_other
    read = read_layout(text.encode(), "verdict.toml")
    inspection = Inspection(read, join(read, builds).image, builds, disassemble=True)
    run = inspection.start_runs[name]
    if run is None or run.why_not:
        print(file.name, "is not run:", run and run.why_not, flush=True)
    return broken_in(check(inspection, TODAY))


def main(names: list[str]) -> None:
    """Build and judge all."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        script = [
            "arm-none-eabi-gcc",
            "-E",
            "-P",
            "-x",
            "c",
            "-I",
            str(FOLDER),
            str(FOLDER / "board" / "core.ld"),
        ]
        for core, more in (("station", ["-DSTATION"]), ("sampler", [])):
            text = subprocess.run([*script, *more], check=True, capture_output=True).stdout
            (folder / f"{core}.ld").write_bytes(text)
        wanted = list(cases(names))
        wrong = 0
        with ThreadPoolExecutor(2) as pool:
            for case, file in zip(wanted, pool.map(lambda each: built(each, folder), wanted), strict=True):
                found = findings_of(file, case)
                if found != case.expected:
                    wrong += 1
                    print(*case, found, "instead of", case.expected, flush=True)
        print(f"{len(wanted)} builds, {wrong} judged otherwise than expected")


if __name__ == "__main__":
    main(sys.argv[1:])
