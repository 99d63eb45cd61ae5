"""The build attribute tags of the Arm architecture and what their values say.

Source: "Addenda to, and Errata in, the ABI for the Arm Architecture" (ADDENDA32), edition 2025Q4,
"Public (aeabi) attribute tags".  Only values that the text names have words here.
"""

from __future__ import annotations

from gemel.structs import NamedTuple


class AttributeTag(NamedTuple):
    """One public tag: its name without the ``Tag_`` in front, and its values in words."""

    name: str
    values: dict[int, str]


_ALIGNMENT = {n: f"8-byte alignment, and up to {1 << n}-byte" for n in range(4, 13)}
_USED = {0: "not used", 1: "used"}

TAGS: dict[int, AttributeTag] = {
    4: AttributeTag("CPU_raw_name", {}),
    5: AttributeTag("CPU_name", {}),
    6: AttributeTag(
        "CPU_arch",
        {
            0: "before Armv4",
            1: "Armv4",
            2: "Armv4T",
            3: "Armv5T",
            4: "Armv5TE",
            5: "Armv5TEJ",
            6: "Armv6",
            7: "Armv6KZ",
            8: "Armv6T2",
            9: "Armv6K",
            10: "Armv7",
            11: "Armv6-M",
            12: "Armv6S-M",
            13: "Armv7E-M",
            14: "Armv8-A",
            15: "Armv8-R",
            16: "Armv8-M Baseline",
            17: "Armv8-M Mainline",
            18: "Armv8.1-A",
            19: "Armv8.2-A",
            20: "Armv8.3-A",
            21: "Armv8.1-M Mainline",
            22: "Armv9-A",
        },
    ),
    7: AttributeTag(
        "CPU_arch_profile",
        {
            0: "none, or implied by the architecture",
            0x41: "application",
            0x52: "real-time",
            0x4D: "microcontroller",
            0x53: "application or real-time",
        },
    ),
    8: AttributeTag("ARM_ISA_use", {0: "no Arm instructions", 1: "Arm instructions"}),
    9: AttributeTag(
        "THUMB_ISA_use",
        {
            0: "no Thumb instructions",
            1: "16-bit Thumb instructions",
            2: "32-bit Thumb instructions",
            3: "Thumb instructions as the architecture has them",
        },
    ),
    10: AttributeTag(
        "FP_arch",
        {
            0: "no floating-point instructions",
            1: "FPv1",
            2: "FPv2",
            3: "FPv3",
            4: "FPv3 with 16 registers",
            5: "FPv4",
            6: "FPv4 with 16 registers",
            7: "FP for Armv8",
            8: "FP for Armv8 with 16 registers",
        },
    ),
    11: AttributeTag("WMMX_arch", {0: "none", 1: "version 1", 2: "version 2"}),
    12: AttributeTag(
        "Advanced_SIMD_arch",
        {0: "none", 1: "version 1", 2: "version 2", 3: "for Armv8-A", 4: "for Armv8.1-A"},
    ),
    13: AttributeTag("PCS_config", {0: "not stated", 1: "bare platform"}),
    14: AttributeTag(
        "ABI_PCS_R9_use", {0: "a saved register", 1: "static base", 2: "thread pointer", 3: "not used"}
    ),
    15: AttributeTag(
        "ABI_PCS_RW_data",
        {0: "absolute", 1: "relative to the program counter", 2: "relative to the static base", 3: "none"},
    ),
    16: AttributeTag("ABI_PCS_RO_data", {0: "absolute", 1: "relative to the program counter", 2: "none"}),
    17: AttributeTag("ABI_PCS_GOT_use", {0: "none", 1: "direct", 2: "through an offset table"}),
    18: AttributeTag("ABI_PCS_wchar_t", {0: "no wchar_t", 2: "2 bytes", 4: "4 bytes"}),
    19: AttributeTag("ABI_FP_rounding", {}),
    20: AttributeTag("ABI_FP_denormal", {}),
    21: AttributeTag("ABI_FP_exceptions", {}),
    22: AttributeTag("ABI_FP_user_exceptions", {}),
    23: AttributeTag("ABI_FP_number_model", {}),
    24: AttributeTag(
        "ABI_align_needed",
        {0: "no 8-byte alignment", 1: "8-byte alignment", 2: "4-byte alignment of 8-byte data", **_ALIGNMENT},
    ),
    25: AttributeTag(
        "ABI_align_preserved",
        {
            0: "no 8-byte alignment",
            1: "8-byte alignment at calls",
            2: "8-byte alignment of the stack at all times",
            **_ALIGNMENT,
        },
    ),
    26: AttributeTag(
        "ABI_enum_size",
        {
            0: "no enums",
            1: "the smallest integer that holds the values",
            2: "32 bits",
            3: "32 bits for every enum others see",
        },
    ),
    27: AttributeTag(
        "ABI_HardFP_use", {0: "as FP_arch says", 1: "single precision only", 3: "as FP_arch says"}
    ),
    28: AttributeTag(
        "ABI_VFP_args",
        {
            0: "in core registers",
            1: "in floating-point registers",
            2: "as the toolchain does it",
            3: "either way",
        },
    ),
    29: AttributeTag(
        "ABI_WMMX_args", {0: "in core registers", 1: "in WMMX registers", 2: "as the toolchain does it"}
    ),
    30: AttributeTag("ABI_optimization_goals", {}),
    31: AttributeTag("ABI_FP_optimization_goals", {}),
    32: AttributeTag("compatibility", {}),
    34: AttributeTag("CPU_unaligned_access", {0: "not used", 1: "used, as Armv6 does it"}),
    36: AttributeTag(
        "FP_HP_extension", {0: "as FP_arch says", 1: "conversions", 2: "conversions and arithmetic"}
    ),
    38: AttributeTag("ABI_FP_16bit_format", {0: "none", 1: "IEEE 754", 2: "alternative"}),
    42: AttributeTag("MPextension_use", _USED),
    44: AttributeTag("DIV_use", {0: "as the architecture has it", 1: "not used", 2: "used as an option"}),
    46: AttributeTag("DSP_extension", {0: "as the architecture has it", 1: "used as an option"}),
    48: AttributeTag("MVE_arch", {0: "none", 1: "integer", 2: "integer and floating point"}),
    50: AttributeTag("PAC_extension", {0: "none", 1: "in the NOP space", 2: "outside the NOP space too"}),
    52: AttributeTag("BTI_extension", {0: "none", 1: "in the NOP space", 2: "outside the NOP space too"}),
    64: AttributeTag("nodefaults", {}),
    65: AttributeTag("also_compatible_with", {}),
    66: AttributeTag("T2EE_use", _USED),
    67: AttributeTag("conformance", {}),
    68: AttributeTag("Virtualization_use", {}),
    70: AttributeTag("MPextension_use (old number)", _USED),
    72: AttributeTag("FramePointer_use", {}),
    74: AttributeTag("BTI_use", _USED),
    76: AttributeTag("PACRET_use", _USED),
}
