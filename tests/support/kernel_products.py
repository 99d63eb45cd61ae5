"""The products of testdata/kernel: their builds, layouts, and what both cores must print, worked out apart from C."""

from __future__ import annotations

import struct
from pathlib import Path

from rehearsals import Case
from tide_gauge import ROOT

KERNEL = ROOT / "testdata" / "kernel"
BUILT = KERNEL / "built"
FRAMES, SAMPLES = 12, 5


def product(folder: str, station: str, sampler: str) -> Case:
    """A layout with both builds; ``folder`` is a profile, or ``libraries``."""
    profile = "mainline" if folder == "libraries" else folder
    layout = (KERNEL / f"{profile}.toml").read_text(encoding="utf-8")
    names = {"station": station, "sampler": sampler}
    return Case(
        layout, {core: (BUILT / folder / f"{core}-{name}.elf").read_bytes() for core, name in names.items()}
    )


def variants(folder: str, core: str = "station") -> list[str]:
    """Compilers and levels that a profile is built with."""
    return sorted(file.stem.removeprefix(f"{core}-") for file in Path(BUILT / folder).glob(f"{core}-*.elf"))


def single(value: float) -> float:
    """The nearest number of IEEE 754 binary32, as every step in C rounds to it."""
    return float(struct.unpack("<f", struct.pack("<f", value))[0])


def bits(value: float) -> str:
    """A binary32 number as eight hexadecimal digits."""
    return f"{struct.unpack('<I', struct.pack('<f', value))[0]:08x}"


def kernel_texts() -> dict[str, str]:
    """What both cores print, from the rules in ``sampler.c`` and ``station.c`` in plain arithmetic.

    Products and sums of two binary32 numbers are exact enough in binary64 that one rounding to binary32 gives what
    a float unit gives (common practice: 53 >= 2 x 24 + 2 bits).
    """
    value, smoothed, trend = 12345, 36500.0, 0.0
    lines = ["up"]
    for frame in range(FRAMES):
        samples = []
        for _ in range(SAMPLES):
            value = (value * 1103515245 + 12345) & 0xFFFF_FFFF
            samples.append((value >> 16) % 1000 + 36000)
        median = float(sorted(samples)[SAMPLES // 2])
        smoothed = single(smoothed + single(single(median - smoothed) * 0.25))
        trend = single(single(trend * 0.5) + single(median * 0.5))
        lines.append(f"frame {frame}: {median:.0f} Pa, smoothed {bits(smoothed)}")
    lines += [f"trend {bits(trend)}, all well", "done"]
    total = 1.0
    for i in range(1, 401):
        total = single(single(total * 0.9375) + single(i * 0.125))
    summary = f"{FRAMES * SAMPLES} samples, {FRAMES} frames, sum {bits(total)}"
    return {
        "station": "".join(f"station: {line}\n" for line in lines),
        "sampler": "".join(f"sampler: {line}\n" for line in ("up", summary, "done")),
    }


def numbers_text(core: str) -> str:
    """What ``numbers.c`` prints; Python formats floating-point numbers as C's ``printf`` (C17 7.21.6.1)."""
    values = [3.25, -0.5, 1e10, 1e-7, 36812.4375, 2.0 / 3.0]
    lines = ["up"]
    lines += [f"{v:f} {v:.3e} {v:g} [{v:10.2f}] [{v:<12.4f}]" for v in values]
    lines += [f"least {min(values):g}, greatest {max(values):g}, root of two {2.0**0.5:.10f}"]
    lines += [f"{2.7182818284590452 * 2.0:.5f}, 7 letters, -42, 0xff", "done"]
    return "".join(f"{core}: {line}\n" for line in lines)


def objects_text(core: str) -> str:
    """What ``objects.cpp`` prints: destructors run in reverse order on the way to the handler (C++17 18.2)."""
    lines = ["up", "static objects are made"]
    for until in range(2, 6):
        made = "ABCDEF"[: until + 1]
        what = "no water" if until % 2 == 0 else f"number {until}"
        lines.append(f"{what} ={made}{made[::-1].lower()}")
    lines += ["1182 fixed", "gauge is broken", "1,3,5,7,9,", "out of range", "and again", "done"]
    return "".join(f"{core}: {line}\n" for line in lines)


def library_texts(folder_name: str, core: str) -> dict[str, str]:
    """Both texts of a product whose ``core`` runs the program of that name and whose other core runs the plain one."""
    texts = {each: f"{each}: up\n{each}: done\n" for each in ("station", "sampler")}
    texts[core] = objects_text(core) if folder_name == "cpp" else numbers_text(core)
    return texts
