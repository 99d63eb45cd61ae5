"""Cores that talk: words of shared RAM, inter-core interrupts, locks, exclusive access, release and order."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from ..cases import LOCK_UP, Core, Scenario

MOST = 2
ME = "\n#ifdef STATION\n#define MY(n) LINK->word[n]\n#define ITS(n) LINK->word[8 + n]\n"
ME += "#else\n#define MY(n) LINK->word[8 + n]\n#define ITS(n) LINK->word[n]\n#endif\n"


def ping_pong(random: Random) -> Iterator[Scenario]:
    """Words handed to and fro in shared RAM, with or without sleep by WFE."""
    for how in ("", "WFE();", "NOP();"):
        rounds = random.randint(4, 8) if how != "WFE();" else random.randint(20, 60)
        wake = "SEV();" if how == "WFE();" else ""
        asks = f"""{ME}
void scenario(void)
{{
    uint32_t sum = 0;

    for (uint32_t i = 1; i <= {rounds}; i++) {{
        MY(1) = i * {random.randint(3, 99)};
        DMB();
        MY(0) = i;
        {wake}
        while (ITS(0) != i) {{
            {how}
        }}
        DMB();
        sum = sum * 31 + ITS(1);
    }}
    show("sum", sum);
}}
"""
        answers = f"""{ME}
void scenario(void)
{{
    for (uint32_t i = 1; i <= {rounds}; i++) {{
        while (ITS(0) != i) {{
            {how}
        }}
        DMB();
        MY(1) = ITS(1) ^ 0x5A5A;
        DMB();
        MY(0) = i;
        {wake}
    }}
    say("answered");
}}
"""
        name = {"": "poll", "WFE();": "wfe", "NOP();": "nop"}[how]
        yield Scenario(f"words-{name}", asks, partner=answers)


def ring_buffers(random: Random) -> Iterator[Scenario]:
    """A ring of bytes from one core to the other, bounded, in order."""
    for size in (4, 16):
        count = random.randint(size, 12) if size == 4 else random.randint(50, 99)
        sends = f"""{ME}
#define RING ((volatile uint8_t *)(LINK_AREA + 0x200))
void scenario(void)
{{
    for (uint32_t i = 0; i < {count}; i++) {{
        while (MY(0) - ITS(0) == {size}) {{
        }}
        RING[i % {size}] = (uint8_t)(i * 7 + 1);
        DMB();
        MY(0) = i + 1;
    }}
    say("sent");
}}
"""
        takes = f"""{ME}
#define RING ((volatile uint8_t *)(LINK_AREA + 0x200))
void scenario(void)
{{
    uint32_t sum = 0;

    for (uint32_t i = 0; i < {count}; i++) {{
        while (ITS(0) == i) {{
        }}
        DMB();
        sum = sum * 33 + RING[i % {size}];
        DMB();
        MY(0) = i + 1;
    }}
    show("took", sum);
}}
"""
        yield Scenario(f"ring-{size}", sends, partner=takes)


def doorbells(random: Random) -> Iterator[Scenario]:
    """Inter-core interrupts carry a count, wake a sleeper, and come with their bits."""
    for name, sleep in (("spin", ""), ("sleep", "CPSID(); if (heard == i) { WFI(); } CPSIE(); ISB();")):
        rounds = random.randint(3, 25)
        rings = f"""{ME}static volatile uint32_t heard;
void doorbell_handler(void) {{ RING_CLEAR = RING_PENDING; heard++; }}
void scenario(void)
{{
    enable_irq(DOORBELL, 0x40);
    while (!ITS(2)) {{
    }}
    for (uint32_t i = 0; i < {rounds}; i++) {{
        MY(1) = i * 3 + 1;
        DMB();
        RING_OTHER = 1u << i % 4;
        while (heard == i) {{
            {sleep}
        }}
    }}
    show("heard", heard);
}}
"""
        answers = f"""{ME}static volatile uint32_t heard, bits, sum;
void doorbell_handler(void)
{{
    uint32_t pending = RING_PENDING;

    RING_CLEAR = pending;
    bits = bits * 5 + pending;
    sum += ITS(1);
    heard++;
    DMB();
    RING_OTHER = pending;
}}
void scenario(void)
{{
    enable_irq(DOORBELL, 0x40);
    MY(2) = 1;
    while (heard < {rounds}) {{
    }}
    show("bits", bits);
    show("sum", sum);
}}
"""
        yield Scenario(f"doorbell-{name}", rings, partner=answers)


def unheard(random: Random) -> Iterator[Scenario]:
    """A doorbell that is not enabled, or rung before anybody listens, is still pending when somebody does."""
    code = f"""{ME}static volatile uint32_t heard;
void doorbell_handler(void) {{ RING_CLEAR = 0xF; heard++; }}
void scenario(void)
{{
    while (!ITS(0)) {{
    }}
    spend({random.randint(10, 500)});
    show("pending", RING_PENDING);
    show("nvic", NVIC_ISPR(0) >> DOORBELL & 1);
    enable_irq(DOORBELL, 0x40);
    DSB();
    ISB();
    show("heard", heard);
    show("after", RING_PENDING);
}}
"""
    rings = f"{ME}void scenario(void)\n{{\n    RING_OTHER = 5;\n    DSB();\n    MY(0) = 1;\n}}\n"
    yield Scenario("doorbell-early", code, partner=rings)
    masked = code.replace("    enable_irq(DOORBELL, 0x40);", "    CPSID();\n    enable_irq(DOORBELL, 0x40);")
    masked = masked.replace(
        '    show("heard"', '    show("masked", heard);\n    CPSIE();\n    ISB();\n    show("heard"'
    )
    yield Scenario("doorbell-masked", masked, partner=rings)


def not_cleared(random: Random) -> Iterator[Scenario]:
    """A source that its handler does not clear interrupts again and again: thread code gets no further."""
    del random
    code = f"""{ME}static volatile uint32_t heard;
void doorbell_handler(void) {{ heard++; }}
USED static void work(void)
{{
    enable_irq(DOORBELL, 0x40);
    MY(2) = 1;
    while (!ITS(0)) {{
    }}
    say("never");
}}
void scenario(void) {{ work(); }}
"""
    rings = f"""{ME}
void scenario(void)
{{
    while (!ITS(2)) {{
    }}
    RING_OTHER = 1;
    spend(3000);
    MY(0) = 1;
}}
"""
    yield Scenario("not-cleared", code, fails=True, ends="doorbell_handler", partner=rings)
    counted = code.replace("heard++;", "if (++heard == 5) { RING_CLEAR = 1; }").replace(
        'say("never")', 'show("times", heard)'
    )
    yield Scenario("cleared-at-fifth", counted, partner=rings)


def locks(random: Random) -> Iterator[Scenario]:
    """Spin locks of exclusive or acquire and release instructions guard a count that both cores raise."""
    takes = {
        "ldrex": '"1: ldrex r0, [%0]\\n cmp r0, #0\\n bne 1b\\n strex r1, %1, [%0]\\n cmp r1, #0\\n bne 1b\\n '
        'dmb 0xF"',
        "ldaex": '"1: ldaex r0, [%0]\\n cmp r0, #0\\n bne 1b\\n stlex r1, %1, [%0]\\n cmp r1, #0\\n bne 1b"',
        "ldrexb": '"1: ldrexb r0, [%0]\\n cmp r0, #0\\n bne 1b\\n strexb r1, %1, [%0]\\n cmp r1, #0\\n bne 1b\\n '
        'dmb 0xF"',
    }
    for name, take in takes.items():
        rounds = random.randint(50, 300)
        code = f"""{ME}
static void take(void)
{{
    __asm volatile({take} ::"r"(&LINK->word[20]), "r"(1) : "r0", "r1", "cc", "memory");
}}
static void give(void)
{{
    {
            '__asm volatile("stl %1, [%0]" ::"r"(&LINK->word[20]), "r"(0) : "memory");'
            if name == "ldaex"
            else "DMB(); LINK->word[20] = 0;"
        }
}}
void scenario(void)
{{
    for (uint32_t i = 0; i < {rounds}; i++) {{
        take();
        LINK->word[21]++;
        give();
    }}
    MY(0) = 1;
    while (!ITS(0)) {{
    }}
    show("count", LINK->word[21]);
}}
"""
        yield Scenario(f"lock-{name}", code, partner=code)
    atomic = f"""{ME}
static void add(volatile uint32_t *at, uint32_t more)
{{
    uint32_t value, failed;

    do {{
        __asm volatile("ldrex %0, [%1]" : "=r"(value) : "r"(at) : "memory");
        value += more;
        __asm volatile("strex %0, %2, [%1]" : "=&r"(failed) : "r"(at), "r"(value) : "memory");
    }} while (failed);
}}
void scenario(void)
{{
    for (uint32_t i = 0; i < {random.randint(100, 400)}; i++) {{
        add(&LINK->word[22], 3);
    }}
    MY(0) = 1;
    while (!ITS(0)) {{
    }}
    show("count", LINK->word[22]);
}}
"""
    yield Scenario("lock-free", atomic, partner=atomic)


def held_for_ever(random: Random) -> Iterator[Scenario]:
    """A lock that the other core never gives back, or that its owner takes again."""
    del random
    head = f"""{ME}
USED static void take(void)
{{
    __asm volatile("1: ldrex r0, [%0]\\n cmp r0, #0\\n bne 1b\\n strex r1, %1, [%0]\\n cmp r1, #0\\n bne 1b\\n "
        "dmb 0xF" ::"r"(&LINK->word[20]), "r"(1) : "r0", "r1", "cc", "memory");
}}
"""
    yield Scenario(
        "lock-twice",
        f'{head}void scenario(void)\n{{\n    take();\n    say("taken");\n    take();\n}}\n',
        fails=True,
        ends="take",
    )


def exclusive_monitor(random: Random) -> Iterator[Scenario]:
    """The local monitor: CLREX, a store without load, and an exception between the two make STREX fail."""
    codes = {
        "plain": ("", 0),
        "clrex": ('"clrex\\n"', 1),
        "exception": ('"svc 0\\n"', 1),
    }
    for name, (between, _) in codes.items():
        code = f"""static volatile uint32_t word = {random.randint(1, 999)};
void svc_handler(void) {{ mark('s'); }}
void scenario(void)
{{
    uint32_t failed, value = 7;

    __asm volatile("ldrex r3, [%1]\\n" {between} "strex %0, %2, [%1]\\n"
        : "=&r"(failed) : "r"(&word), "r"(value) : "r3", "memory");
    show("failed", failed);
    show("word", word);
    __asm volatile("strex %0, %2, [%1]\\n" : "=&r"(failed) : "r"(&word), "r"(9) : "memory");
    show("again", failed);
    show("word", word);
}}
"""
        yield Scenario(f"monitor-{name}", code)


def release_ways(random: Random) -> Iterator[Scenario]:
    """The release: late, twice, its register read back, or misdirected."""
    del random
    late = 'void scenario(void)\n{\n    spend(9000);\n    say(LINK->sampler_up ? "early" : "held");\n}\n'
    yield Scenario("release-late", late, defines=("SCENARIO_BEFORE_RELEASE",), cores=("station",))
    twice = """
void scenario(void)
{
    while (!LINK->sampler_up) {
    }
    CONTROL_REGISTER = 0;
    show("vectors", VECTOR_REGISTER);
    show("control", CONTROL_REGISTER);
}
"""
    yield Scenario("release-twice", twice, cores=("station",))
    wrong = {
        "not-released": "void release_sampler(void) { VECTOR_REGISTER = SAMPLER_CODE; }\n",
        "wrong-bit": "void release_sampler(void) { VECTOR_REGISTER = SAMPLER_CODE; CONTROL_REGISTER = 2; }\n",
    }
    for name, code in wrong.items():
        yield Scenario(
            f"release-{name}",
            code + "void scenario(void) {}\n",
            fails=True,
            ends="wait_for_sampler",
            cores=("station",),
        )
    for name, vectors in (("erased", "SAMPLER_CODE + 0x8000"), ("unmapped", "0x60000000")):
        yield Scenario(
            f"release-{name}",
            "void scenario(void) {}\n",
            fails=True,
            ends=LOCK_UP,
            cores=("station",),
            culprit="sampler",
            defines=(f"SAMPLER_VECTORS=({vectors})",),
        )


LOOSE = "the emulator gives the other core a turn at YIELD; DDI 0553 YIELD: a hint, which may be a NOP"


def bounded_polls(random: Random) -> Iterator[Scenario]:
    """Polls for a third of the time that the partner's answer takes, or for three times as long.

    The board's cores take turns of some hundred thousand instructions: only longer waits are compared with it.
    """
    cores: tuple[Core, ...] = ("station", "sampler")
    for how in ("", "yield"):
        takes = random.randint(6_000, 9_000) * (1 if how else 100)
        answers = f"""{ME}
void scenario(void)
{{
    while (!ITS(1)) {{
    }}
    uint32_t left = {takes};

    __asm volatile("1: subs %0, #1\\n bne 1b" : "+r"(left)::"cc");
    MY(0) = 1;
}}
"""
        for name, time in (("late", 2 * takes // 3), ("in-time", 2 * takes * 3)):
            code = f"""{ME}
void scenario(void)
{{
    uint32_t left = {time // (6 if how else 5)}, found;

    MY(1) = 1;
    __asm volatile("1: ldr %0, [%2]\\n cmp %0, #0\\n bne 2f\\n {how}\\n subs %1, #1\\n bne 1b\\n2:"
        : "=&r"(found), "+r"(left) : "r"(&ITS(0)) : "cc", "memory");
    say(found ? "answered" : "timeout");
}}
"""
            for core in cores:
                texts = {each: f"{each}: up\n{each}: done\n" for each in cores}
                says = "timeout" if name == "late" else "answered"
                texts[core] = f"{core}: up\n{core}: {says}\n{core}: done\n"
                yield Scenario(
                    f"poll-{how or 'only'}-{name}",
                    code,
                    partner=answers,
                    cores=(core,),
                    loose=LOOSE if how else "",
                    texts=tuple(texts.items()) if how else (),
                )


FAMILIES = (
    ping_pong,
    ring_buffers,
    doorbells,
    unheard,
    not_cleared,
    locks,
    held_for_ever,
    exclusive_monitor,
    release_ways,
    bounded_polls,
)
