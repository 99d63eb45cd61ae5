"""Measure how well code is told from data in images alone, against the mapping symbols of the ELF file.

Run ``python tests/bench/bench_sweep.py``. Libraries are linked whole, so that most of their code is called by
nobody, and read as an image alone; their mapping symbols (AAELF32, "Mapping symbols") tell what is code. For
each: the part of the code that is found, and how many instructions told as lacking are data. A library that
is not installed is left out and named. Exits 1 where less than 98.5 % of the code is found, or more than
8 instructions a MiB are told that are data.
"""

from __future__ import annotations

import struct
import subprocess
import sys
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parents[1] / part) for part in (".", "support")]

from measuring import MIB
from real_code import code_segment, cut, library_program, mapped_instructions

FOUND, TOLD = 0.985, 8
LIBRARIES = ("m", "c", "stdc++")
ARCHITECTURES = {
    "armv6-m": "armv6-m",
    "armv7-m": "armv7-m",
    "armv8-m.base": "armv8-m.base",
    "armv8-m.main": "armv8-m.main",
    "armv8-m.main+fp": "armv8-m.main",
}
"""What each is compiled for, and the core it is checked for."""


def main() -> int:
    """Measure each library for each architecture, print, judge."""
    met = []
    for library in LIBRARIES:
        for march, architecture in ARCHITECTURES.items():
            met.append(_measured(library, march, architecture))
    return 0 if all(met) else 1


def _measured(library: str, march: str, architecture: str) -> bool:
    from gemel.layout.model import Core
    from gemel.m_profile.capabilities import lacking
    from gemel.m_profile.code.unmapped import unmapped_code
    from gemel.m_profile.instructions.sieve import Sieve

    words = f"lib{library}, {march}"
    try:
        build = library_program(march, whole_of=library)
    except subprocess.CalledProcessError as error:
        print(f"left out {words}: {error.stderr.splitlines()[-2]}")
        return True
    segment, sizes = code_segment(build), mapped_instructions(build)
    core = Core(name="station", role="primary", architecture=architecture, extensions=(), interrupts=0)
    sieve = Sieve(lacking(core.architecture, core.extensions))
    vectors = struct.unpack_from("<2I", segment.data)[1:]
    code = unmapped_code(segment.data, segment.run_address, vectors)
    found = cut(segment.data, [*code.followed, *(run for routine in code.swept for run in routine.runs)])
    right = sum(size for at, size in found.items() if sizes.get(at) == size) / sum(sizes.values())
    told = [*code.followed_places(sieve), *code.swept_places(sieve)]
    false = sum(sizes.get(each.address - segment.run_address) != len(each.data) for each in told)
    really = sum(bool(sieve.of(segment.data[at : at + size])) for at, size in sizes.items())
    met = right > FOUND and false * MIB / len(segment.data) <= TOLD
    counts = f"{len(told) - false:,} of {really:,} lacking instructions told, and {false} that are data"
    verdict = "met   " if met else "MISSED"
    print(f"{verdict} {words}: {len(segment.data):,} bytes, {right:.2%} of the code found; {counts}")
    return met


if __name__ == "__main__":
    sys.exit(main())
