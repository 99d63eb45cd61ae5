"""The joining script that people write today, with pyelftools and intelhex: what gemel is timed against.

Run as ``script_today.py STATION.elf SAMPLER.elf IMAGE.hex IMAGE.bin``.  It loads the PT_LOAD segments by
physical address, fills each area, puts a CRC-32 into its last word, and writes Intel HEX and a raw binary.
It checks nothing and makes no record; the bytes of the areas are those that gemel makes.
"""

from __future__ import annotations

import struct
import sys
import zlib

from elftools.elf.elffile import ELFFile
from intelhex import IntelHex

AREAS = ((0x1000_0000, 1 << 20), (0x1010_0000, 1 << 20))


def main(builds: list[str], hex_file: str, binary: str) -> None:
    """Join ``builds``, one for each of AREAS."""
    image = IntelHex()
    image.padding = 0xFF
    for build, (start, size) in zip(builds, AREAS, strict=True):
        end = start
        with open(build, "rb") as file:
            for segment in ELFFile(file).iter_segments("PT_LOAD"):
                if segment["p_filesz"]:
                    image.frombytes(segment.data(), offset=segment["p_paddr"])
                    end = max(end, segment["p_paddr"] + segment["p_filesz"])
        image.frombytes(b"\xff" * (start + size - end), offset=end)
        checksum = zlib.crc32(image.tobinstr(start=start, size=size - 4))
        image.puts(start + size - 4, struct.pack("<I", checksum))
    image.write_hex_file(hex_file)
    image.tobinfile(binary)


if __name__ == "__main__":
    main(sys.argv[1:3], sys.argv[3], sys.argv[4])
