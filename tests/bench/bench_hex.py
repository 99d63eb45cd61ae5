"""Time Intel HEX and S-record against ``intelhex``, and show that the cost grows with the size only.

Run ``python tests/bench/bench_hex.py [--quick]``.  In-process, best of several runs, collector off.
``intelhex`` has no S-record codec, so both formats are compared with its Intel HEX.
"""

from __future__ import annotations

import argparse
import gc
import io
import random
import sys
import time
from collections.abc import Callable
from typing import Any

from intelhex import IntelHex

from gemel.image import intel_hex, s_record
from gemel.image.sparse import SparseBytes

MIB = 1 << 20
BASE = 0x1000_0000


def image_of(size: int) -> SparseBytes:
    """One run of pseudo-random bytes with a fixed seed."""
    image = SparseBytes()
    image.write(BASE, random.Random(7).randbytes(size))
    return image


def best_of(runs: int, work: Callable[[], Any]) -> float:
    """Shortest time of ``runs`` runs in milliseconds."""
    times = []
    for _ in range(runs):
        gc.collect()
        gc.disable()
        started = time.perf_counter()
        work()
        times.append(time.perf_counter() - started)
        gc.enable()
    return min(times) * 1000


def peer_write(data: bytes) -> str:
    """``data`` written by intelhex."""
    peer = IntelHex()
    peer.frombytes(data, BASE)
    text = io.StringIO()
    peer.write_hex_file(text)
    return text.getvalue()


def compare(runs: int) -> float:
    """Print both libraries' times for 2 MiB and return the smallest ratio."""
    image = image_of(2 * MIB)
    data = image.read(image.spans()[0], None)
    peer = IntelHex()
    peer.frombytes(data, BASE)
    hex_text = b"".join(intel_hex.encode(image))
    record_text = b"".join(s_record.encode(image))
    as_text = hex_text.decode()
    if IntelHex(io.StringIO(as_text)).tobinstr() != data:
        raise SystemExit("intelhex reads other bytes than were written")
    if intel_hex.decode([peer_write(data).encode()], "peer.hex").image != image:
        raise SystemExit("other bytes are read than intelhex wrote")
    if s_record.decode([record_text], "bench.srec").image != image:
        raise SystemExit("S-record reads other bytes than were written")
    peer_writes = best_of(max(1, runs // 3), lambda: peer.write_hex_file(io.StringIO()))
    peer_reads = best_of(max(1, runs // 3), lambda: IntelHex(io.StringIO(as_text)))
    ours = {
        "write Intel HEX": (best_of(runs, lambda: b"".join(intel_hex.encode(image))), peer_writes),
        "read Intel HEX": (best_of(runs, lambda: intel_hex.decode([hex_text], "b")), peer_reads),
        "write S-record": (best_of(runs, lambda: b"".join(s_record.encode(image))), peer_writes),
        "read S-record": (best_of(runs, lambda: s_record.decode([record_text], "b")), peer_reads),
    }
    print("2 MiB, best of runs   gemel    intelhex   ratio")
    for name, (mine, theirs) in ours.items():
        print(f"{name:18} {mine:7.1f} ms {theirs:8.1f} ms {theirs / mine:6.1f}")
    return min(theirs / mine for mine, theirs in ours.values())


def growth(size: int, runs: int) -> None:
    """Print the time a MiB for ``size`` MiB, with records in order and with all of them backwards."""
    image = image_of(size * MIB)
    text = b"".join(intel_hex.encode(image))
    lines = text.splitlines(keepends=True)
    segments = [lines[i : i + 4097] for i in range(0, len(lines) - 1, 4097)]
    backwards = b"".join(b"".join([part[0], *part[:0:-1]]) for part in reversed(segments)) + lines[-1]
    del lines, segments
    if intel_hex.decode([backwards], "b").image != image:
        raise SystemExit("records backwards read as other bytes")
    write = best_of(runs, lambda: sum(map(len, intel_hex.encode(image)))) / size
    read = best_of(runs, lambda: intel_hex.decode([text], "b")) / size
    read_backwards = best_of(1, lambda: intel_hex.decode([backwards], "b")) / size
    print(f"{size:3d} MiB    {write:9.1f}  {read:9.1f}   {read_backwards:18.1f}")


def main() -> int:
    """Run both parts; exit 1 if anything is less than 5 times faster than intelhex."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--quick", action="store_true", help="fewer runs, up to 4 MiB")
    quick = options.parse_args().quick
    ratio = compare(3 if quick else 9)
    print("size       write HEX   read HEX   read HEX backwards   (ms a MiB)")
    for size in (1, 4) if quick else (1, 4, 16, 64):
        growth(size, 1 if quick else 3)
    return 0 if ratio >= 5 else 1


if __name__ == "__main__":
    sys.exit(main())
