"""The parametrised CRC catalogue: names, parameters and check values.

A CRC is given by six parameters (``CrcParameters``).  The catalogue adds ``check``, the CRC of
the nine ASCII bytes ``123456789``, which ties an implementation to them.

Source: the parametrised CRC catalogue, edition of August 2023; every row was recomputed, and the tests
compare all of them with the tables of two independent libraries.  Left out: one algorithm wider than
64 bits, and eight that belong to single products; those are stated by their parameters.
"""

from __future__ import annotations

from functools import cache

from gemel.errors import Problem
from gemel.structs import Struct

MAX_WIDTH = 64
"""Widest CRC in bits that the engines compute."""


class CrcParameters(Struct):
    """One CRC algorithm; two with equal parameters are the same algorithm.

    ``width`` is in bits, 1 to 64.  ``poly`` has its top term left out and ``init`` is the register at the
    start, both written most significant bit first whatever the reflections.  ``refin``: each byte
    enters least significant bit first.  ``refout``: the register is reversed at the end.  ``xorout`` is
    combined with the result last.
    """

    width: int
    poly: int
    init: int
    refin: bool
    refout: bool
    xorout: int

    @property
    def mask(self) -> int:
        """The register with all its bits set."""
        return (1 << self.width) - 1

    def __str__(self) -> str:
        digits = -(-self.width // 4)
        poly, init, xorout = (f"0x{value:0{digits}X}" for value in (self.poly, self.init, self.xorout))
        refin, refout = (str(flag).lower() for flag in (self.refin, self.refout))
        return (
            f"width {self.width}, poly {poly}, init {init}, refin {refin}, refout {refout}, xorout {xorout}"
        )


class CatalogueEntry(Struct):
    """An algorithm of the catalogue, with the check value that ties an implementation to it."""

    name: str
    parameters: CrcParameters
    check: int
    aliases: tuple[str, ...]


_ALGORITHMS = """\
CRC-3/GSM                  3 3 0 FF 7 4
CRC-3/ROHC                 3 3 7 TT 0 6
CRC-4/G-704                4 3 0 TT 0 7
CRC-4/INTERLAKEN           4 3 F FF F B
CRC-5/EPC-C1G2             5 09 09 FF 00 00
CRC-5/G-704                5 15 00 TT 00 07
CRC-5/USB                  5 05 1F TT 1F 19
CRC-6/CDMA2000-A           6 27 3F FF 00 0D
CRC-6/CDMA2000-B           6 07 3F FF 00 3B
CRC-6/DARC                 6 19 00 TT 00 26
CRC-6/G-704                6 03 00 TT 00 06
CRC-6/GSM                  6 2F 00 FF 3F 13
CRC-7/MMC                  7 09 00 FF 00 75
CRC-7/ROHC                 7 4F 7F TT 00 53
CRC-7/UMTS                 7 45 00 FF 00 61
CRC-8/AUTOSAR              8 2F FF FF FF DF
CRC-8/BLUETOOTH            8 A7 00 TT 00 26
CRC-8/CDMA2000             8 9B FF FF 00 DA
CRC-8/DARC                 8 39 00 TT 00 15
CRC-8/DVB-S2               8 D5 00 FF 00 BC
CRC-8/GSM-A                8 1D 00 FF 00 37
CRC-8/GSM-B                8 49 00 FF FF 94
CRC-8/I-432-1              8 07 00 FF 55 A1
CRC-8/LTE                  8 9B 00 FF 00 EA
CRC-8/MAXIM-DOW            8 31 00 TT 00 A1
CRC-8/NRSC-5               8 31 FF FF 00 F7
CRC-8/OPENSAFETY           8 2F 00 FF 00 3E
CRC-8/ROHC                 8 07 FF TT 00 D0
CRC-8/SAE-J1850            8 1D FF FF FF 4B
CRC-8/SMBUS                8 07 00 FF 00 F4
CRC-8/TECH-3250            8 1D FF TT 00 97
CRC-8/WCDMA                8 9B 00 TT 00 25
CRC-10/ATM                10 233 000 FF 000 199
CRC-10/CDMA2000           10 3D9 3FF FF 000 233
CRC-10/GSM                10 175 000 FF 3FF 12A
CRC-11/FLEXRAY            11 385 01A FF 000 5A3
CRC-11/UMTS               11 307 000 FF 000 061
CRC-12/CDMA2000           12 F13 FFF FF 000 D4D
CRC-12/DECT               12 80F 000 FF 000 F5B
CRC-12/GSM                12 D31 000 FF FFF B34
CRC-12/UMTS               12 80F 000 FT 000 DAF
CRC-14/DARC               14 0805 0000 TT 0000 082D
CRC-14/GSM                14 202D 0000 FF 3FFF 30AE
CRC-15/CAN                15 4599 0000 FF 0000 059E
CRC-15/MPT1327            15 6815 0000 FF 0001 2566
CRC-16/ARC                16 8005 0000 TT 0000 BB3D
CRC-16/CDMA2000           16 C867 FFFF FF 0000 4C06
CRC-16/CMS                16 8005 FFFF FF 0000 AEE7
CRC-16/DDS-110            16 8005 800D FF 0000 9ECF
CRC-16/DECT-R             16 0589 0000 FF 0001 007E
CRC-16/DECT-X             16 0589 0000 FF 0000 007F
CRC-16/DNP                16 3D65 0000 TT FFFF EA82
CRC-16/EN-13757           16 3D65 0000 FF FFFF C2B7
CRC-16/GENIBUS            16 1021 FFFF FF FFFF D64E
CRC-16/GSM                16 1021 0000 FF FFFF CE3C
CRC-16/IBM-3740           16 1021 FFFF FF 0000 29B1
CRC-16/IBM-SDLC           16 1021 FFFF TT FFFF 906E
CRC-16/ISO-IEC-14443-3-A  16 1021 C6C6 TT 0000 BF05
CRC-16/KERMIT             16 1021 0000 TT 0000 2189
CRC-16/M17                16 5935 FFFF FF 0000 772B
CRC-16/MAXIM-DOW          16 8005 0000 TT FFFF 44C2
CRC-16/MCRF4XX            16 1021 FFFF TT 0000 6F91
CRC-16/MODBUS             16 8005 FFFF TT 0000 4B37
CRC-16/NRSC-5             16 080B FFFF TT 0000 A066
CRC-16/OPENSAFETY-A       16 5935 0000 FF 0000 5D38
CRC-16/OPENSAFETY-B       16 755B 0000 FF 0000 20FE
CRC-16/PROFIBUS           16 1DCF FFFF FF FFFF A819
CRC-16/RIELLO             16 1021 B2AA TT 0000 63D0
CRC-16/SPI-FUJITSU        16 1021 1D0F FF 0000 E5CC
CRC-16/T10-DIF            16 8BB7 0000 FF 0000 D0DB
CRC-16/TMS37157           16 1021 89EC TT 0000 26B1
CRC-16/UMTS               16 8005 0000 FF 0000 FEE8
CRC-16/USB                16 8005 FFFF TT FFFF B4C8
CRC-16/XMODEM             16 1021 0000 FF 0000 31C3
CRC-17/CAN-FD             17 1685B 00000 FF 00000 04F03
CRC-21/CAN-FD             21 102899 000000 FF 000000 0ED841
CRC-24/BLE                24 00065B 555555 TT 000000 C25A56
CRC-24/FLEXRAY-A          24 5D6DCB FEDCBA FF 000000 7979BD
CRC-24/FLEXRAY-B          24 5D6DCB ABCDEF FF 000000 1F23B8
CRC-24/INTERLAKEN         24 328B63 FFFFFF FF FFFFFF B4F3E6
CRC-24/LTE-A              24 864CFB 000000 FF 000000 CDE703
CRC-24/LTE-B              24 800063 000000 FF 000000 23EF52
CRC-24/OPENPGP            24 864CFB B704CE FF 000000 21CF02
CRC-30/CDMA               30 2030B9C7 3FFFFFFF FF 3FFFFFFF 04C34ABF
CRC-32/AIXM               32 814141AB 00000000 FF 00000000 3010BF7F
CRC-32/AUTOSAR            32 F4ACFB13 FFFFFFFF TT FFFFFFFF 1697D06A
CRC-32/BASE91-D           32 A833982B FFFFFFFF TT FFFFFFFF 87315576
CRC-32/BZIP2              32 04C11DB7 FFFFFFFF FF FFFFFFFF FC891918
CRC-32/CD-ROM-EDC         32 8001801B 00000000 TT 00000000 6EC2EDC4
CRC-32/CKSUM              32 04C11DB7 00000000 FF FFFFFFFF 765E7680
CRC-32/ISCSI              32 1EDC6F41 FFFFFFFF TT FFFFFFFF E3069283
CRC-32/ISO-HDLC           32 04C11DB7 FFFFFFFF TT FFFFFFFF CBF43926
CRC-32/JAMCRC             32 04C11DB7 FFFFFFFF TT 00000000 340BC6D9
CRC-32/MEF                32 741B8CD7 FFFFFFFF TT 00000000 D2C22F51
CRC-32/MPEG-2             32 04C11DB7 FFFFFFFF FF 00000000 0376E6E7
CRC-32/XFER               32 000000AF 00000000 FF 00000000 BD0BE338
CRC-40/GSM                40 0004820009 0000000000 FF FFFFFFFFFF D4164FC646
CRC-64/ECMA-182 64 42F0E1EBA9EA3693 0000000000000000 FF 0000000000000000 6C40DF5F0B497347
CRC-64/GO-ISO 64 000000000000001B FFFFFFFFFFFFFFFF TT FFFFFFFFFFFFFFFF B90956C775A41001
CRC-64/MS 64 259C84CBA6426349 FFFFFFFFFFFFFFFF TT 0000000000000000 75D4B74F024ECEEA
CRC-64/NVME 64 AD93D23594C93659 FFFFFFFFFFFFFFFF TT FFFFFFFFFFFFFFFF AE8B14860A799888
CRC-64/REDIS 64 AD93D23594C935A9 0000000000000000 TT 0000000000000000 E9C6D914C4B8D9CA
CRC-64/WE 64 42F0E1EBA9EA3693 FFFFFFFFFFFFFFFF FF FFFFFFFFFFFFFFFF 62EC59E3F1A4F00A
CRC-64/XZ 64 42F0E1EBA9EA3693 FFFFFFFFFFFFFFFF TT FFFFFFFFFFFFFFFF 995DC9BBDF1939FA
"""
"""Name, width, poly, init, refin and refout (T or F), xorout, check; numbers hexadecimal."""

_ALIASES = """\
CRC-4/G-704               CRC-4/ITU
CRC-5/EPC-C1G2            CRC-5/EPC
CRC-5/G-704               CRC-5/ITU
CRC-6/G-704               CRC-6/ITU
CRC-7/MMC                 CRC-7
CRC-8/I-432-1             CRC-8/ITU
CRC-8/MAXIM-DOW           CRC-8/MAXIM DOW-CRC
CRC-8/SAE-J1850           J1850
CRC-8/TECH-3250           CRC-8/AES CRC-8/EBU
CRC-10/ATM                CRC-10 CRC-10/I-610
CRC-11/FLEXRAY            CRC-11
CRC-12/DECT               CRC-12-X X-CRC-12
CRC-12/UMTS               CRC-12/3GPP
CRC-15/CAN                CRC-15
CRC-16/ARC                ARC
CRC-16/DECT-R             R-CRC-16
CRC-16/DECT-X             X-CRC-16
CRC-16/GENIBUS            CRC-16/DARC CRC-16/EPC CRC-16/EPC-C1G2
CRC-16/IBM-3740           CRC-16/AUTOSAR CRC-16/CCITT-FALSE CCITT-FALSE
CRC-16/IBM-SDLC           CRC-16/ISO-HDLC CRC-16/ISO-IEC-14443-3-B CRC-16/X-25 CRC-B X-25
CRC-16/ISO-IEC-14443-3-A  CRC-A
CRC-16/KERMIT             CRC-16/CCITT-TRUE CRC-16/V-41-LSB KERMIT CRC-16/BLUETOOTH CCITT-TRUE
CRC-16/MAXIM-DOW          CRC-16/MAXIM
CRC-16/MODBUS             MODBUS
CRC-16/PROFIBUS           CRC-16/IEC-61158-2
CRC-16/SPI-FUJITSU        CRC-16/AUG-CCITT AUG-CCITT
CRC-16/XMODEM             CRC-16/LTE CRC-16/V-41-MSB XMODEM ZMODEM
CRC-24/OPENPGP            CRC-24
CRC-32/AIXM               CRC-32Q
CRC-32/BASE91-D           CRC-32D
CRC-32/BZIP2              CRC-32/AAL5 CRC-32/DECT-B B-CRC-32 AAL5
CRC-32/CKSUM              CKSUM CRC-32/POSIX
CRC-32/ISCSI              CRC-32/BASE91-C CRC-32/CASTAGNOLI CRC-32/INTERLAKEN CRC-32C CRC-32/NVME
CRC-32/ISO-HDLC           CRC-32 CRC-32/ADCCP CRC-32/V-42 CRC-32/XZ CRC-32/ETHERNET CRC-32/ZIP
CRC-32/JAMCRC             JAMCRC
CRC-32/MPEG-2             MPEG-2
CRC-32/XFER               XFER
CRC-64/XZ                 CRC-64/GO-ECMA
"""
"""Catalogue name, then the other names, except for those of `_AMBIGUOUS`."""

_CCITT = "CRC-16/KERMIT CRC-16/IBM-3740 CRC-16/XMODEM CRC-16/SPI-FUJITSU CRC-16/IBM-SDLC"
_AMBIGUOUS = {
    "CRC-16/CCITT": _CCITT,
    "CRC-CCITT": _CCITT,
    "CRC-CCITT-16": _CCITT,
    "CRC-16": "CRC-16/ARC CRC-16/MODBUS CRC-16/IBM-3740 CRC-16/XMODEM CRC-16/KERMIT",
    "CRC-8": "CRC-8/SMBUS CRC-8/MAXIM-DOW CRC-8/SAE-J1850 CRC-8/AUTOSAR",
    "CRC-64": "CRC-64/ECMA-182 CRC-64/XZ CRC-64/GO-ISO CRC-64/NVME",
}
"""Names that the trade uses for several algorithms, and those that are meant by them.

The catalogue takes each of them for one (CRC-16/CCITT for CRC-16/KERMIT, CRC-16 for CRC-16/ARC, CRC-8 for
CRC-8/SMBUS, CRC-64 for CRC-64/ECMA-182).  Drivers, data sheets and libraries do not: the CCITT polynomial
0x1021 is called CRC-CCITT with a start value of 0, 0xFFFF or 0x1D0F, reflected or not; the CRC-16 of a
Modbus driver starts with 0xFFFF, one of the CCITT polynomial is called CRC-16 as often; the one-wire bus
has a CRC-8 of its own, vehicles another; CRC-64 in one archive format is the reflected one. Taken
silently for the wrong one such a name costs a join, a device that does not start, and an afternoon;
refused, it costs a line of the layout. Bare names stay where one algorithm has them in practice: CRC-32
is that of zlib and Ethernet even where a device computes another one, CRC-24 that of RFC 9580, CRC-7,
CRC-11 and CRC-15 those of the buses that use no other. Common practice.
"""


@cache
def catalogue() -> dict[str, CatalogueEntry]:
    """Every algorithm by its catalogue name, in the catalogue's order (by width, then by name)."""
    return {name: _entry(name) for name in _rows()}


@cache
def _rows() -> dict[str, list[str]]:
    """The columns of each algorithm after its name."""
    rows = [line.split() for line in _ALGORITHMS.splitlines()]
    return {name: columns for name, *columns in rows}


@cache
def _aliases() -> dict[str, tuple[str, ...]]:
    return {name: tuple(others) for name, *others in (line.split() for line in _ALIASES.splitlines())}


@cache
def _entry(name: str) -> CatalogueEntry:
    width, poly, init, reflected, xorout, check = _rows()[name]
    parameters = CrcParameters(
        width=int(width),
        poly=int(poly, 16),
        init=int(init, 16),
        refin=reflected[0] == "T",
        refout=reflected[1] == "T",
        xorout=int(xorout, 16),
    )
    return CatalogueEntry(name, parameters, int(check, 16), _aliases().get(name, ()))


def find(name: str) -> CatalogueEntry | None:
    """The algorithm of that catalogue name or alias; case, spaces and punctuation do not matter.

    ``CRC-32C``, ``crc32c`` and ``CRC_32_C`` are the same name.  None for a name of several (``meant_by``).
    """
    found = _by_plain_name().get(_plain(name))
    return _entry(found) if found else None


def meant_by(name: str) -> tuple[str, ...]:
    """The catalogue names of the algorithms that a name of several may mean; empty for every other name."""
    plain = _plain(name)
    return next((tuple(meant.split()) for each, meant in _AMBIGUOUS.items() if _plain(each) == plain), ())


def name_of(parameters: CrcParameters) -> str | None:
    """The catalogue name of the algorithm with these parameters, or None if it has none."""
    return _by_parameters().get(parameters)


@cache
def _by_parameters() -> dict[CrcParameters, str]:
    return {entry.parameters: name for name, entry in reversed(catalogue().items())}


def all_names() -> list[str]:
    """Every name and alias, as the trade writes them."""
    return [name for entry in catalogue().values() for name in (entry.name, *entry.aliases)]


def parameter_problems(parameters: CrcParameters, where: str = "") -> list[Problem]:
    """What is wrong with free parameters, all of it; empty when they describe a CRC.

    Values of any size are taken, so that what a layout file says can be judged before it is used.
    """
    width = parameters.width
    if not 1 <= width <= MAX_WIDTH:
        return [
            Problem(
                "width of a CRC out of range",
                where=where,
                found=f"{width} bits",
                expected=f"1 to {MAX_WIDTH} bits",
            )
        ]
    problems = []
    for key in ("poly", "init", "xorout"):
        value = getattr(parameters, key)
        if not 0 <= value <= parameters.mask:
            hint = ""
            if key == "poly" and value >> width == 1:
                hint = f"leave out the top term: 0x{value & parameters.mask:X}"
            expected = f"0 to 0x{parameters.mask:X}"
            what = f"{key} does not fit in {width} bits"
            problems.append(
                Problem(what, where=where, found=_hexadecimal(value), expected=expected, next_step=hint)
            )
    if 0 <= parameters.poly <= parameters.mask and parameters.poly & 1 == 0:
        turned = reversed_bits(parameters.poly, width)
        hint = f"if it is written least significant bit first, write 0x{turned:X}" if turned & 1 else ""
        problems.append(
            Problem(
                "polynomial without its lowest term, which is no CRC",
                where=where,
                found=_hexadecimal(parameters.poly),
                expected="an odd number, top term left out",
                next_step=hint,
            )
        )
    return problems


def reversed_bits(value: int, width: int) -> int:
    """The lowest ``width`` bits of ``value`` in the other order."""
    return int(f"{value:0{width}b}"[::-1], 2)


def _hexadecimal(value: int) -> str:
    return f"-0x{-value:X}" if value < 0 else f"0x{value:X}"


def _plain(name: str) -> str:
    return "".join(filter(str.isalnum, name.casefold()))


@cache
def _by_plain_name() -> dict[str, str]:
    return {_plain(each): name for name in _rows() for each in (name, *_aliases().get(name, ()))}
