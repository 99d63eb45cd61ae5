"""What the exported C readers of record and seal must say of damaged bytes, by the Python decoders."""

from __future__ import annotations

import zlib

from damaged_records import Case as DamagedImage
from damaged_seals import Case as DamagedArea
from records import tide_gauge_record

from gemel.export.c_reader import READER_ERRORS, SEAL_ERRORS
from gemel.record.record import RecordError, RecordFault, decode, encode, find
from gemel.seals.seal import SealError, SealFault, bytes_to_sign, read_seal
from gemel.spans import Span

CODES = {name: code for name, (code, _) in READER_ERRORS.items()}
RECORD = encode(tide_gauge_record())
"""The record that damaged seals are over."""

ORDER = {SealFault.OUT_OF_ORDER, SealFault.SIGNER_TWICE}


def fault_code(data: bytes) -> int:
    """The first fault that the Python decoder finds, as the C reader numbers it; 0 for none."""
    try:
        decode(data, "case")
    except RecordError as error:
        return error.faults[0].code
    return 0


def build_code(case: DamagedImage, stored: Span, crc32: int) -> int:
    """The verdict on one build: inside the memory, and with the CRC that the record states."""
    if not Span(case.start, len(case.data)).covers(stored):
        return CODES["BUILD_OUTSIDE"]
    offset = stored.start - case.start
    right = zlib.crc32(case.data[offset : offset + stored.size]) == crc32
    return 0 if right else CODES["BUILD_CRC"]


def record_verdict(case: DamagedImage) -> str:
    """What the host program must print for ``case``, by the Python decoder and search."""
    if case.shift % 4:
        return f"{CODES['MISALIGNED']} {CODES['MISALIGNED']}"
    furthest = RecordFault.NO_MARK.code
    for place in find([(0, memoryview(case.data))]):
        code = fault_code(case.data[place:])
        if code == 0:
            builds = decode(case.data[place:], "case").builds
            codes = "".join(f" {build_code(case, build.stored, build.crc32)}" for build in builds)
            return f"{fault_code(case.data)} 0 at {place}:{codes}"
        furthest = max(furthest, code)
    return f"{fault_code(case.data)} {furthest}"


def seal_verdict(case: DamagedArea) -> str:
    """What the host program must print, by the Python decoder."""
    try:
        seal = read_seal(case.area, case.erased, "case")
    except SealError as error:
        return _line(_code(set(error.faults)))
    signers = ""
    for signer in seal.signers:
        signed = bytes_to_sign(RECORD, signer.algorithm, signer.key_fingerprint)
        crcs = f"{zlib.crc32(signer.signature):08x} {zlib.crc32(signed):08x}"
        signers += f" {signer.algorithm.cose_id} {signer.key_fingerprint.hex()} {crcs}"
    return _line("SOUND", f" {seal.size}{signers}")


def _code(faults: set[SealFault]) -> str:
    if faults == {SealFault.NO_SEAL}:
        return "ABSENT"
    if faults == {SealFault.BYTES_BEHIND}:
        return "BYTES_BEHIND"
    return "OUT_OF_ORDER" if faults <= {*ORDER, SealFault.BYTES_BEHIND} else "NOT_A_SEAL"


def _line(name: str, more: str = "") -> str:
    code, text = SEAL_ERRORS[name]
    return f"{code}{more} {text}"
