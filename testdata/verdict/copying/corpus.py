"""Every shape of copying and clearing, by each compiler, optimisation and architecture, right and with one fault each.

    PYTHONPATH=imgtool_src:tests:tests/support python testdata/verdict/copying/corpus.py [SHAPE ...]

Prints each build whose findings are not those of its fault, and how many there were; some minutes for all.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from verdict_builds import FOLDER, LAYOUT, TODAY, broken_in, build_of

from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.checking.runner import check
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join
from gemel.layout.reader import read_layout

NOT_COPIED, ELSEWHERE = {"initialised-data-copied": 1}, {"start-copies-stored-data": 1}
NOT_CLEARED = {"cleared-data-cleared-whole": 1}
FAULTS: dict[str, tuple[str, dict[str, int]]] = {
    "sound": ("", {}),
    "late": ("-DLATE_WORDS=1", NOT_COPIED),
    "early": ("-DEARLY_WORDS=1", NOT_COPIED),
    "source": ("-DSOURCE_WORDS=1", ELSEWHERE),
    "place": ("-DPLACE_WORDS=1", ELSEWHERE),
    "clear-late": ("-DCLEAR_LATE=1", NOT_CLEARED),
    "clear-early": ("-DCLEAR_EARLY=1", NOT_CLEARED),
}
ARCHITECTURES = ("armv6-m", "armv7-m", "armv7e-m", "armv8-m.base", "armv8-m.main")
OPTIMISED = ("-O0", "-O1", "-O2", "-O3", "-Os", "-O2 -flto", "-Os -DIN_ONE")
SHAPES = range(1, 14)
COMMON = (
    "-std=gnu11 -mthumb -mfloat-abi=soft -ffreestanding -fno-common -ffunction-sections -fdata-sections -fno-pic -w"
).split()
LINKED = ("--gc-sections", "-z", "max-page-size=16", "--build-id=none")
GCC = ("arm-none-eabi-gcc", "-fno-tree-loop-distribute-patterns")
CLANG = ("clang", "--target=arm-none-eabi", "-fno-builtin", "-fno-unwind-tables", "-fshort-enums")


def cases(shapes: list[int]) -> Iterator[tuple[int, int, str, str, str]]:
    """Shape, compiler, optimisation, architecture and fault; one of three optimisations for each fault."""
    for shape in shapes:
        for compiler in (0, 1):
            for number, architecture in enumerate(ARCHITECTURES):
                for at, fault in enumerate(FAULTS):
                    for step in (0, 3):
                        optimised = OPTIMISED[(shape + number + at + compiler + step) % len(OPTIMISED)]
                        yield shape, compiler, optimised, architecture, fault


def built(case: tuple[int, int, str, str, str], folder: Path) -> Path:
    """The ELF file of a case."""
    shape, compiler, optimised, architecture, fault = case
    out = folder / ("-".join(map(str, case)).replace(" ", "") + ".elf")
    command = [*(CLANG if compiler else GCC), *COMMON, f"-march={architecture}", *optimised.split()]
    command += [f"-DSHAPE={shape}", *FAULTS[fault][0].split(), "-I", str(FOLDER)]
    source, script, linked = str(FOLDER / "copying" / "core.c"), str(folder / "core.ld"), ",".join(LINKED)
    if compiler:
        object_file = str(out.with_suffix(".o"))
        subprocess.run([*command, "-c", source, "-o", object_file], check=True)
        subprocess.run(["ld.lld", *LINKED, "-T", script, object_file, "-o", str(out)], check=True)
    else:
        subprocess.run(
            [*command, "-nostdlib", f"-Wl,{linked}", "-T", script, source, "-o", str(out)], check=True
        )
    return out


def findings_of(file: Path, architecture: str) -> dict[str, int]:
    """What is found in the build, as the sampler beside a sound station."""
    read = read_layout(LAYOUT.replace("ARCHITECTURE", architecture).encode(), "verdict.toml")
    sampler = read_build(BytesSource(file.read_bytes(), file.name), name="sampler", file=file.name)
    builds = {"station": build_of("station", "station-v6"), "sampler": sampler}
    inspection = Inspection(read, join(read, builds).image, builds, disassemble=True)
    run = inspection.start_runs["sampler"]
    if run is None or run.why_not:
        print(file.name, "is not run:", run and run.why_not)
    return broken_in(check(inspection, TODAY))


def main(shapes: list[int]) -> None:
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
        (folder / "core.ld").write_bytes(subprocess.run(script, check=True, capture_output=True).stdout)
        wanted = list(cases(shapes))
        wrong = 0
        with ThreadPoolExecutor(2) as pool:
            for case, file in zip(wanted, pool.map(lambda case: built(case, folder), wanted), strict=True):
                found, expected = findings_of(file, case[3]), FAULTS[case[4]][1]
                if found != expected:
                    wrong += 1
                    print(*case, found, "instead of", expected, flush=True)
        print(f"{len(wanted)} builds, {wrong} judged otherwise than expected")


if __name__ == "__main__":
    main([int(each) for each in sys.argv[1:]] or list(SHAPES))
