"""Each fault of either architecture alone: recovered, left to the default handler, within a handler that locks up."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from ...cases import LOCK_UP, Scenario
from .helpers import ENABLE, ON_PROCESS_STACK, RECOVERING

W = "(uint32_t)words"
FAULTS: dict[str, tuple[str, str, str]] = {
    # name: (instructions, r1, r2)
    "ldr": ("ldr r3, [r1]\\n mov r1, r3", f"{W} + 1", "0"),
    "ldr-2": ("ldr r3, [r1]\\n mov r1, r3", f"{W} + 2", "0"),
    "ldr-register": ("ldr r3, [r1, r2]\\n mov r1, r3", f"{W}", "6"),
    "ldrh": ("ldrh r3, [r1]\\n mov r1, r3", f"{W} + 3", "0"),
    "ldrsh": ("ldrsh r3, [r1, r2]\\n mov r1, r3", f"{W}", "1"),
    "str": ("str r2, [r1]", f"{W} + 5", "0x12345678"),
    "strh": ("strh r2, [r1]", f"{W} + 7", "0x12345678"),
    "ldm": ("ldm r1!, {r3, r4}\\n mov r1, r4", f"{W} + 2", "0"),
    "stm": ("stm r1!, {r2, r3}", f"{W} + 1", "7"),
    "ldr-across": ("ldr r3, [r1]\\n mov r1, r3", f"{W} + 15", "0"),
    "udf": ("udf #7", "0", "0"),
    "udf-wide": (".short 0xf7f1, 0xa234", "0", "0"),
    "call-even": ("blx r1", "(uint32_t)put_text & ~3u", "0"),
    "call-null": ("blx r1", "0", "0"),
    "call-unmapped": ("blx r1", "UNMAPPED | 1", "0"),
    "call-erased": ("blx r1", "ERASED | 1", "0"),
    "call-system": ("blx r1", "0xE000E001", "0"),
    "read-unmapped": ("ldr r3, [r1]", "UNMAPPED", "0"),
    "read-unmapped-byte": ("ldrb r3, [r1]", "UNMAPPED + 3", "0"),
    "write-unmapped": ("str r2, [r1]", "UNMAPPED + 8", "0"),
    "write-unmapped-half": ("strh r2, [r1]", "UNMAPPED + 6", "0"),
    "ldm-unmapped": ("ldm r1!, {r3, r4}", "UNMAPPED + 4", "0"),
    "coprocessor": (".short 0xee00, 0x0510", "0", "0"),
    "float": (".short 0xee30, 0x0a00", "0", "0"),
    "bx-even": ("mov r3, pc\\n adds r3, #7\\n mov lr, r3\\n bx r1\\n nop", "(uint32_t)put_text & ~3u", "0"),
    "call-masked": ("cpsid i\\n svc #1\\n cpsie i", "0", "0"),
}
FAULTS_OF_V6: dict[str, tuple[str, str, str]] = {
    "udiv": (".short 0xfbb1, 0xf3f2", "7", "2"),
    "movw": (".short 0xf240, 0x0301", "0", "0"),
    "ldrex": (".short 0xe851, 0x3f00", f"{W}", "0"),
    "ldr-wide": (".short 0xf8d1, 0x3000", f"{W}", "0"),
    "add-wide": (".short 0xeb01, 0x0302", "1", "2"),
    "cpsid-f": (".short 0xb671", "0", "0"),
    "branch-wide": (".short 0xf000, 0xb800", "0", "0"),
}
FAULTS_OF_V7: dict[str, tuple[str, str, str]] = {
    "call-device": ("blx r1", "SERIAL | 1", "0"),
    "read-end-of-memory": ("ldr r3, [r1]", "0xFFFFFFFC", "0"),
    "ldrd": ("ldrd r3, r4, [r1]\\n mov r1, r4", f"{W} + 2", "0"),
    "strd": ("strd r1, r2, [r1]", f"{W} + 1", "0"),
    "ldmdb": ("ldmdb r1!, {r3, r4}", f"{W} + 9", "0"),
    "ldrex": ("ldrex r3, [r1]", f"{W} + 2", "0"),
    "ldrexh": ("ldrexh r3, [r1]", f"{W} + 1", "0"),
    "ldr-post": ("ldr r3, [r1], #4\\n add r1, r3", f"{W} + 1", "0"),
    "ldr-wide": ("ldr.w r3, [r1, #13]\\n mov r1, r3", f"{W}", "0"),
    "udiv": ("b 1f\\n 1: udiv r1, r1, r2", "7", "0"),
    "sdiv": ("b 1f\\n 1: sdiv r1, r1, r2", "-7", "0"),
    "sdiv-least": ("sdiv r1, r1, r2", "0x80000000", "-1"),
    "ldrd-unmapped": ("ldrd r3, r4, [r1]", "UNMAPPED", "0"),
    "lda": (".short 0xe8d1, 0x3faf", f"{W}", "0"),
    "tt": (".short 0xe841, 0xf300", f"{W}", "0"),
    "table-branch": ("tbb [r1, r2]", "UNMAPPED", "0"),
    "load-pc": ("adr.w lr, 1f + 1\\n ldr pc, [r1]\\n .p2align 2\\n 1: nop", "UNMAPPED", "0"),
    "pop-even": (
        "adr.w lr, 1f + 1\\n push {r1}\\n pop {pc}\\n .p2align 2\\n 1: nop",
        "(uint32_t)put_text & ~3u",
        "0",
    ),
}
TRAPS = {
    "none": "",
    "unaligned": "CCR |= CCR_UNALIGN_TRAP; DSB(); ISB();",
    "division": "CCR |= CCR_DIV_ZERO_TRAP; DSB(); ISB();",
}


def faults(architecture: int, quiet_bus: bool = False) -> Iterator[Scenario]:
    """Each fault alone, in thread mode on either stack and in a handler, with a handler that goes on after it."""
    own = FAULTS | (FAULTS_OF_V6 if architecture == 6 else FAULTS_OF_V7)
    for name, (text, first, second) in own.items():
        if quiet_bus and ("UNMAPPED" in first or "0xFFFFFFFC" in first):
            continue
        random = Random(f"faults {architecture} {name}")
        traps = [each for key, each in TRAPS.items() if architecture > 6 or key == "none"]
        if architecture > 6 and not any(each in name for each in ("ld", "st", "div")):
            traps = [""]
        trap = random.choice(traps)
        enabled = architecture > 6 and random.random() < 0.6
        value = f'note(TRY("{text}", {first}, {second}) - (uint32_t)words);'
        where = random.choice(("thread", "handler", "process"))
        head, body = "", value
        if where == "handler":
            head = f"void irq60_handler(void)\n{{\n    mark('[');\n    {value}\n    mark(']');\n}}\n"
            body = f"enable_irq(FIRST_IRQ, {random.choice((0x40, 0xC0)):#x});\n    pend_irq(FIRST_IRQ); DSB(); ISB();"
        elif where == "process":
            head = (
                f"static uint64_t stack[64];\nUSED static void work(void) {{ {value} }}\n{ON_PROCESS_STACK}"
            )
            body = "on_process_stack(&stack[64]);"
        code = (
            f"{RECOVERING}{head}void scenario(void)\n{{\n    {ENABLE if enabled else ''}{trap}\n    {body}\n"
            '    show_notes();\n    show("faults", faults);\n    for (uint32_t i = 0; i < 5; i++) {\n'
            '        show("word", words[i]);\n    }\n    show_trace();\n}\n'
        )
        yield Scenario(f"fault-{name}-{where}", code, times=1)


def default_faults(architecture: int) -> Iterator[Scenario]:
    """A fault that nobody takes: HardFault's default handler; within HardFault or NMI the core locks up."""
    for name in (
        "ldr" if architecture == 6 else "ldrd",
        "udf",
        "call-even",
        "call-erased",
        "call-masked",
        "float",
    ):
        text, first, second = {**FAULTS, **FAULTS_OF_V7}[name]
        random = Random(f"default {architecture} {name}")
        head = RECOVERING.split("ENTRY(hard")[0].replace("USED void go_on", "USED void unused") + "/* Runs"
        head += RECOVERING.split("/* Runs")[1]
        doing = f'say("going");\n    TRY("{text}", {first}, {second});\n    say("never");'
        plain = f"{head}void scenario(void)\n{{\n    {doing}\n}}\n"
        yield Scenario(f"default-{name}", plain, fails=True, times=1)
        handler = random.choice(("hard_fault_handler", "nmi_handler"))
        start = "ICSR = ICSR_NMI_SET; DSB(); ISB();" if handler == "nmi_handler" else 'TRY("udf #1", 0, 0);'
        locked = (
            f"{head}void {handler}(void)\n{{\n    {doing}\n}}\nvoid scenario(void)\n{{\n    {start}\n}}\n"
        )
        yield Scenario(f"locked-{name}", locked, fails=True, ends=LOCK_UP, times=1)
