"""Faults of every kind: into the default handler, into a handler that reports, into one that recovers.

Fault status bits: Armv8-M Architecture Reference Manual (DDI 0553), CFSR and HFSR.
"""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from ..cases import Core, Scenario

RECOVERING = """
static volatile uint32_t resume_at, faults;
static volatile uint32_t seen[4][4];

USED void note(uint32_t *frame, uint32_t number)
{
    if (faults < 4) {
        seen[faults][0] = number;
        seen[faults][1] = CFSR;
        seen[faults][2] = HFSR;
        seen[faults][3] = CFSR & 0x8000 ? BFAR : CFSR & 0x80 ? MMFAR : 0;
    }
    faults++;
    CFSR = 0xFFFFFFFF;
    HFSR = 0xFFFFFFFF;
    frame[6] = resume_at & ~1u;
    frame[7] = (frame[7] & ~0x0600FC00u) | 0x01000000u;
}
#define RECOVER(name) \\
    NAKED void name(void) \\
    { \\
        __asm volatile("tst lr, #4\\n ite eq\\n mrseq r0, msp\\n mrsne r0, psp\\n mrs r1, ipsr\\n" \\
            "push {r4, lr}\\n bl note\\n pop {r4, pc}\\n"); \\
    }
RECOVER(hard_fault_handler)
RECOVER(mem_manage_handler)
RECOVER(bus_fault_handler)
RECOVER(usage_fault_handler)

/* Runs TEXT, with r1 and r2 as given; a fault in it goes on after it. */
#define TRY(text, first, second) \\
    do { \\
        register uint32_t a_ __asm("r1") = (uint32_t)(first); \\
        register uint32_t b_ __asm("r2") = (uint32_t)(second); \\
        __asm volatile("adr.w r0, 1f\\n str r0, [%2]\\n" text "\\n 1: nop\\n" \\
            : "+r"(a_), "+r"(b_) : "r"(&resume_at) \\
            : "r0", "r3", "r4", "r5", "r6", "r12", "lr", "cc", "memory"); \\
    } while (0)

static void show_faults(void)
{
    for (uint32_t i = 0; i < faults && i < 4; i++) {
        show("exception", seen[i][0]);
        show("CFSR", seen[i][1]);
        show("HFSR", seen[i][2]);
        show("address", seen[i][3]);
    }
    show("faults", faults);
}
static uint32_t words[8] __attribute__((aligned(8), used));
"""

DATA = "(uint32_t)words"
KINDS = {
    # name: (instructions, r1, r2, set-up)
    "unaligned-ldm": ("ldm r1, {r3, r4}", f"{DATA} + 2", "0", ""),
    "unaligned-stm": ("stm r1, {r3, r4}", f"{DATA} + 1", "0", ""),
    "unaligned-ldrd": ("ldrd r3, r4, [r1]", f"{DATA} + 2", "0", ""),
    "unaligned-strd": ("strd r1, r2, [r1]", f"{DATA} + 1", "0", ""),
    "unaligned-ldrex": ("ldrex r3, [r1]", f"{DATA} + 1", "0", ""),
    "unaligned-strex": ("strex r3, r2, [r1]", f"{DATA} + 2", "0", ""),
    "unaligned-ldrexh": ("ldrexh r3, [r1]", f"{DATA} + 1", "0", ""),
    "unaligned-lda": ("lda r3, [r1]", f"{DATA} + 2", "0", ""),
    "unaligned-stl": ("stl r2, [r1]", f"{DATA} + 1", "0", ""),
    "unaligned-push": ("mov r12, sp\\n ldr r3, [r1]\\n ldmdb r1!, {r3, r4}", f"{DATA} + 6", "0", ""),
    "unaligned-trap-word": ("ldr r3, [r1]", f"{DATA} + 1", "0", "CCR |= CCR_UNALIGN_TRAP; DSB(); ISB();"),
    "unaligned-trap-half": ("strh r2, [r1]", f"{DATA} + 1", "0", "CCR |= CCR_UNALIGN_TRAP; DSB(); ISB();"),
    "divide-by-zero": ("udiv r3, r1, r2", "7", "0", "CCR |= CCR_DIV_ZERO_TRAP; DSB(); ISB();"),
    "divide-signed": ("sdiv r3, r1, r2", "-7", "0", "CCR |= CCR_DIV_ZERO_TRAP; DSB(); ISB();"),
    "undefined": ("udf #1", "0", "0", ""),
    "undefined-wide": ("udf.w #300", "0", "0", ""),
    "coprocessor": ("mcr p5, 0, r1, c0, c0", "0", "0", ""),
    "no-thumb": ("bx r1", "(uint32_t)default_handler & ~3u", "0", ""),
    "call-null": ("blx r1", "0", "0", ""),
    "call-even": ("blx r1", "(uint32_t)put_text & ~3u", "0", ""),
    "read-unmapped": ("ldr r3, [r1]", "UNMAPPED", "0", ""),
    "write-unmapped": ("str r3, [r1, #4]", "UNMAPPED", "0", ""),
    "read-unmapped-byte": ("ldrb r3, [r1]", "0x9FFF0003", "0", ""),
    "push-unmapped": ("stmdb r1!, {r3, r4}", "UNMAPPED + 0x100", "0", ""),
    "branch-unmapped": ("blx r1", "UNMAPPED | 1", "0", ""),
    "branch-erased": ("blx r1", "ERASED | 1", "0", ""),
    "branch-device": ("blx r1", "SERIAL | 1", "0", ""),
    "branch-system": ("blx r1", "0xE000E001", "0", ""),
    "breakpoint": ("bkpt #0", "0", "0", ""),
    "coprocessor-unallocated": (".short 0xfe42, 0x6935", "0", "0", ""),
    "float-unit-absent-or-off": (".short 0xee30, 0x0a00", "0", "0", ""),
    "float-unit-unallocated": (".short 0xee24, 0x9af7", "0", "0", ""),
    "unaligned-trap-unmapped": ("ldr r3, [r1]", "UNMAPPED + 1", "0", "CCR |= CCR_UNALIGN_TRAP; DSB(); ISB();"),
    "unaligned-trap-nowhere": ("strh r3, [r1]", "UNMAPPED + 3", "0", "CCR |= CCR_UNALIGN_TRAP; DSB(); ISB();"),
}  # fmt: skip
ENABLE = "    SHCSR |= SHCSR_MEM_ENABLE | SHCSR_BUS_ENABLE | SHCSR_USAGE_ENABLE;\n    DSB();\n"
DECIDED_ELSEWHERE = ("unaligned-strex", "breakpoint")
STREX_LOOSE = "the emulator compares the monitor first; DDI 0553 ExclusiveMonitorsPass: alignment comes first"


def recovered(random: Random) -> Iterator[Scenario]:
    """A handler reports the fault's status, goes on after the instruction, and the core finishes."""
    for name, (text, first, second, setup) in KINDS.items():
        enabled = random.random() < 0.6
        code = f"""{RECOVERING}
void scenario(void)
{{
{ENABLE if enabled else ""}    {setup}
    TRY("{text}", {first}, {second});
    show_faults();
}}
"""
        if name not in DECIDED_ELSEWHERE:
            yield Scenario(f"recovers-{name}{'-enabled' if enabled else ''}", code, times=1)


def into_default(random: Random) -> Iterator[Scenario]:
    """The same faults with nobody to take them: the core stays in the default handler."""
    for name, (text, first, second, setup) in KINDS.items():
        enabled = random.random() < 0.4
        plain = RECOVERING.split("RECOVER(hard")[0] + "/* Runs" + RECOVERING.split("/* Runs")[1]
        code = f"""{plain}
void scenario(void)
{{
{ENABLE if enabled else ""}    {setup}
    spend({random.randint(1, 200)});
    say("going");
    TRY("{text}", {first}, {second});
    show_faults();
}}
"""
        loose = ""
        texts: tuple[tuple[str, str], ...] = ()
        cores: tuple[Core, ...] = ("station", "sampler")
        if name == "unaligned-strex":
            loose, cores = STREX_LOOSE, ("sampler",)
            texts = (("station", "station: up\n"), ("sampler", "sampler: up\nsampler: going\n"))
        title = f"default-{name}{'-enabled' if enabled else ''}"
        yield Scenario(title, code, True, times=1 if loose else 2, loose=loose, texts=texts, cores=cores)


def sound_neighbours(random: Random) -> Iterator[Scenario]:
    """What looks like a fault and is none: unaligned single words, division by zero without its trap, CBZ over it."""
    codes = {
        "unaligned-word": ("ldr r1, [r1]", f"{DATA} + 1", "0", ""),
        "unaligned-half": ("ldrh r1, [r1]", f"{DATA} + 3", "0", ""),
        "unaligned-store": ("str r2, [r1]\\n ldr r1, [r1]", f"{DATA} + 5", "0x12345678", ""),
        "divide-no-trap": ("udiv r1, r1, r2", "77", "0", ""),
        "divide-signed-no-trap": ("sdiv r1, r1, r2", "-77", "0", ""),
        "divide-most-negative": (
            "sdiv r1, r1, r2",
            "0x80000000",
            "-1",
            "CCR |= CCR_DIV_ZERO_TRAP; DSB(); ISB();",
        ),
        "aligned-ldrd": ("ldrd r1, r2, [r1]", f"{DATA} + 4", "0", "CCR |= CCR_UNALIGN_TRAP; DSB(); ISB();"),
        "aligned-ldm": ("ldm r1, {r3, r4, r5}\\n mov r1, r4", f"{DATA} + 4", "0", ""),
        "prefetch-unmapped": ("pld [r1]", "UNMAPPED", "0", ""),
        "skipped-undefined": ("cmp r1, #0\\n it ne\\n bne 2f\\n udf #9\\n 2:", "1", "0", ""),
    }
    for name, (text, first, second, setup) in codes.items():
        plain = RECOVERING.split("RECOVER(hard")[0] + "/* Runs" + RECOVERING.split("/* Runs")[1]
        text = text.replace("it ne\\n ", "")
        code = f"""{plain.replace("static void show_faults", "__attribute__((unused)) static void show_faults")}
#undef TRY
#define TRY(text, first, second) \\
    ({{ \\
        register uint32_t a_ __asm("r1") = (uint32_t)(first); \\
        register uint32_t b_ __asm("r2") = (uint32_t)(second); \\
        __asm volatile(text : "+r"(a_), "+r"(b_)::"r3", "r4", "r5", "cc", "memory"); \\
        a_; \\
    }})
void scenario(void)
{{
    for (uint32_t i = 0; i < 8; i++) {{
        words[i] = (i + 1) * {random.randint(10**7, 10**9)}u;
    }}
    {setup}
    show("value", TRY("{text}", {first}, {second}));
}}
"""
        yield Scenario(f"sound-{name}", code, times=1)


def several(random: Random) -> Iterator[Scenario]:
    """Faults of different classes one after the other, each by its own handler and number."""
    for number in range(4):
        names = random.sample(
            [
                name
                for name in KINDS
                if name not in DECIDED_ELSEWHERE and "trap" not in name and "divide" not in name
            ],
            3,
        )
        tries = "".join(
            f"    TRY(\"{KINDS[name][0]}\", {KINDS[name][1]}, {KINDS[name][2]});\n    mark('.');\n"
            for name in names
        )
        code = f"{RECOVERING}\nvoid scenario(void)\n{{\n{ENABLE}{tries}    show_faults();\n    show_trace();\n}}\n"
        yield Scenario(f"several-{number}", code)


def in_a_handler(random: Random) -> Iterator[Scenario]:
    """A fault in an interrupt handler is taken there, and the interrupted code goes on."""
    for name in random.sample(sorted(KINDS.keys() - set(DECIDED_ELSEWHERE)), 4):
        text, first, second, setup = KINDS[name]
        for priority in (0x20, 0xC0):
            code = f"""{RECOVERING}
void irq60_handler(void)
{{
    mark('[');
    TRY("{text}", {first}, {second});
    mark(']');
}}
void scenario(void)
{{
{ENABLE}    SHPR(4) = SHPR(5) = SHPR(6) = 0x40;
    {setup}
    enable_irq(60, {priority:#x});
    pend_irq(60);
    DSB();
    ISB();
    show_faults();
    show_trace();
}}
"""
            yield Scenario(f"handler-{priority:02x}-{name}", code, times=1)


def ignored_bus_faults(random: Random) -> Iterator[Scenario]:
    """CCR.BFHFNMIGN: at negative priority a bus fault of a load or store is ignored."""
    value = random.randint(1, 9999)
    code = """
static volatile uint32_t value = VALUE;
void scenario(void)
{
    CCR |= CCR_BFHFNMIGN;
    DSB();
    CPSID_F();
    (void)REG(UNMAPPED);
    value++;
    CPSIE_F();
    show("value", value);
}
"""
    yield Scenario(
        "ignored",
        code.replace("VALUE", str(value)),
        times=1,
        cores=("station",),
        loose="the emulator does not ignore them; DDI 0553 CCR.BFHFNMIGN",
        texts=(
            ("station", f"station: up\nstation: value {value + 1:08x}\nstation: done\n"),
            ("sampler", "sampler: up\nsampler: done\n"),
        ),
    )


def probes(random: Random) -> Iterator[Scenario]:
    """A memory test that finds the end of the RAM by its faults."""
    code = f"""{RECOVERING}
void scenario(void)
{{
    uint32_t good = 0;

{ENABLE}    for (uint32_t address = UNMAPPED; address < UNMAPPED + 0x4000; address += 0x1000) {{
        uint32_t before = faults;

        TRY("ldr r3, [r1]", address, 0);
        if (faults == before) {{
            good++;
        }}
    }}
    show("good", good + {random.randint(0, 9)});
    show_faults();
}}
"""
    yield Scenario("probes", code)


def breakpoints(random: Random) -> Iterator[Scenario]:
    """BKPT without a debugger and without the debug monitor: HardFault, with DEBUGEVT."""
    number = random.randint(0, 200)
    body = f'    TRY("bkpt #{number}", 0, 0);\n    show_faults();\n'
    values = {"exception": 3, "CFSR": 0, "HFSR": 0x8000_0000, "address": 0, "faults": 1}
    lines = "".join(f"sampler: {name} {value:08x}\n" for name, value in values.items())
    yield Scenario(
        "recovers-breakpoint",
        f"{RECOVERING}\nvoid scenario(void)\n{{\n{body}}}\n",
        cores=("sampler",),
        loose="the emulator sets FORCED; DDI 0553 HFSR: a debug event that escalates sets DEBUGEVT",
        texts=(
            ("station", "station: up\nstation: done\n"),
            ("sampler", f"sampler: up\n{lines}sampler: done\n"),
        ),
    )


FAMILIES = (
    breakpoints,
    recovered,
    into_default,
    sound_neighbours,
    several,
    in_a_handler,
    ignored_bus_faults,
    probes,
)
