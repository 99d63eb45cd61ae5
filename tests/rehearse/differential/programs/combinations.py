"""Actions of every kind, any after any other, in thread code and in handlers of random levels.

A program has random priorities, enabled faults, masks, stack in use and flags.  Its faults are repaired by one handler,
which skips what faulted and advances the if-then state.  Each letter says which action was done, in order; what is
pended again counts down, so that it ends.  On which seeds it does not, the board decides (``LOCKS_UP``).
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from random import Random

from ..cases import LOCK_UP, Core, Scenario
from .floats import HARD

MOST = 1
COUNT = 40
LOCKS_UP = (9, 19, 38)
"""The numbers of programs of which a fault comes where no handler may take it."""

HEAD = r"""
static volatile uint32_t left, sum, letters, cell[4];
__attribute__((unused)) static uint32_t other_stack[128] __attribute__((aligned(8)));
__attribute__((unused)) static uint8_t odd[16] __attribute__((aligned(8)));
#undef UNMAPPED
#define UNMAPPED 0xA0000000u

static void did(char letter)
{
    sum = sum * 31 + (uint8_t)letter;
    if (letters < 200) {
        letters++;
        put(letter);
    }
}
__attribute__((unused)) static void got(char letter, uint32_t value)
{
    did(letter);
    sum = sum * 33 + value;
}
__attribute__((unused)) static int may(void) { return left && left--; }
USED static void repair(uint32_t *frame, uint32_t link)
{
    uint32_t block = (frame[7] >> 25 & 3) | (frame[7] >> 8 & 0xFC), why = CFSR;

    got('F', MRS("ipsr"));
    got('.', why);
    got('.', HFSR);
    got('.', link);
    got('.', frame[7] & 0xF700FFFFu);
    CFSR = why;
    HFSR = HFSR;
    if (why) {
        frame[6] += *(uint16_t *)frame[6] >= 0xE800 ? 4 : 2;
        block = block & 7 ? (block & 0xE0) | (block << 1 & 0x1F) : 0;
        frame[7] = (frame[7] & ~0x0600FC00u) | (block & 3) << 25 | (block & 0xFC) << 8;
    }
}
#define REPAIRS(name) NAKED void name(void) \
    { __asm volatile("tst lr, #4\n ite eq\n mrseq r0, msp\n mrsne r0, psp\n mov r1, lr\n b repair"); }
REPAIRS(hard_fault_handler)
REPAIRS(mem_manage_handler)
REPAIRS(bus_fault_handler)
REPAIRS(usage_fault_handler)
"""
OPPOSITE = {"eq": "ne", "cs": "cc", "hi": "ls", "ge": "lt", "gt": "le", "mi": "pl", "vs": "vc"}
PENDED = (("ICSR_PENDSV_SET", "&ICSR"), ("1u << 28", "&NVIC_ISPR(1)"), ("2", "&NVIC_ISPR(2)"))
FAULTS = (
    'CCR |= CCR_DIV_ZERO_TRAP; DSB(); ISB(); __asm volatile("b.n 1f\\n1: udiv %0, %0, %1" : "+r"(q) : "r"(0));',
    'CCR |= CCR_UNALIGN_TRAP; DSB(); ISB(); __asm volatile("ldr %0, [%1]" : "+r"(q) : "r"(odd + 1) : "memory"); '
    "CCR &= ~CCR_UNALIGN_TRAP;",
    '__asm volatile("ldrd r2, r3, [%0]" :: "r"(odd + 2) : "r2", "r3", "memory");',
    '__asm volatile("ldm %0, {r2, r3}" :: "r"(odd + 2) : "r2", "r3", "memory");',
    '__asm volatile("ldr %0, [%1]" : "+r"(q) : "r"(UNMAPPED) : "memory");',
    '__asm volatile("str %0, [%1]" :: "r"(q), "r"(UNMAPPED) : "memory");',
    '__asm volatile("udf #7" ::: "memory");',
    '__asm volatile("udf.w #9" ::: "memory");',
)


def _fault(random: Random) -> str:
    """Something that faults, some of it in an if-then block with flags that are not known."""
    if random.random() < 0.6:
        return f"uint32_t q = {random.randrange(256)}; {random.choice(FAULTS)} got('f', q);"
    first, second = random.choice([*OPPOSITE.items(), *((b, a) for a, b in OPPOSITE.items())])
    what = random.choice(("ldr{} %0, [%2]", "str{} %1, [%2]", "ldrd{} r2, r3, [%3]"))
    block = (
        f"cmp %0, %1\\n itete {first}\\n add{first} %0, #1\\n {what.format(second)}\\n sub{first} %0, #9\\n "
        f"add{second} %0, #5"
    )
    values = '"+r"(q) : "r"(MRS("ipsr")), "r"(UNMAPPED), "r"(odd + 2) : "r2", "r3", "memory", "cc"'
    return f"uint32_t q = {random.randrange(256)}; __asm volatile(\"{block}\" : {values}); got('i', q);"


def _pends_in_block(random: Random) -> str:
    """An if-then block of any length in which a store may pend an exception."""
    first, second = random.choice([*OPPOSITE.items()])
    conditions = [first, *random.choices((first, second), k=random.randrange(1, 4))]
    then = "".join("t" if each == first else "e" for each in conditions[1:])
    kinds = ("add{0} %0, #77", "ldr{0} %0, [%4]", "eor{0} %0, %0, #0x55")
    body = [random.choice(kinds).format(each) for each in conditions]
    at = random.randrange(len(body))  # one, since two may be taken as one
    body[at] = f"str{conditions[at]} %2, [%3]"
    sets = random.choice(("cmp %0, %1", "adds %0, %0, %1", "lsls %0, %0, #3", "msr apsr_nzcvq, %1"))
    block = "\\n ".join((sets, f"it{then} {first}", *body, "dsb", "isb"))
    value, register = random.choice(PENDED)
    values = f'"r"({random.getrandbits(32):#x}u), "r"({value}), "r"({register}), "r"(cell) : "memory", "cc"'
    start = f"uint32_t q = {random.getrandbits(32):#x}u"
    return f'if (may()) {{ {start}; __asm volatile("{block}" : "+r"(q) : {values}); got(\'I\', q); }}'


def _keeps_registers(random: Random, floats: bool) -> str:
    """An exception between a write of registers and their use: all are as before."""
    value, register = random.choice(PENDED)
    one, other = random.getrandbits(16), random.getrandbits(16)
    if floats and random.random() < 0.5:
        code = "vmov s0, %1\\n vmov s17, %2\\n str %3, [%4]\\n dsb\\n isb\\n vmov %0, s17\\n vmov r2, s0\\n eor %0, r2"
    else:
        code = "mov r12, %1\\n mov lr, %2\\n str %3, [%4]\\n dsb\\n isb\\n eor %0, r12, lr"
    values = f'"=&r"(q) : "r"({one}), "r"({other}), "r"({value}), "r"({register}) : "r2", "r12", "lr", "memory", "cc"'
    return f"if (may()) {{ uint32_t q; __asm volatile(\"{code}\" : {values}); got('r', q); }}"


def _masked(random: Random, floats: bool, depth: int) -> str:
    """Further actions under a mask, which is then as it was."""
    inner = " ".join(_action(random, floats, depth + 1) for _ in range(random.randrange(1, 3)))
    name = random.choice(("primask", "basepri", "faultmask", "basepri_max"))
    value = random.choice((0x20, 0x40, 0x80, 0xFF)) if name.startswith("basepri") else 1
    read = name.removesuffix("_max")
    barrier = random.choice(("ISB();", ""))
    return (
        f'{{ uint32_t b = MRS("{read}"); MSR("{name}", {value}); got(\'M\', MRS("{read}")); {inner} '
        f"MSR(\"{read}\", b); {barrier} did('m'); }}"
    )


def _action(random: Random, floats: bool, depth: int = 0) -> str:
    irq = random.randrange(60, 66)
    word, bit = irq // 32, f"1u << {irq % 32}"
    priority = random.choice((0x00, 0x20, 0x40, 0x80, 0xC0))
    plain = (
        f"if (may()) {{ pend_irq({irq}); DSB(); ISB(); }}",
        f"if (may()) {{ NVIC_ISPR(1) = {random.randrange(16)}u << 28; NVIC_ISPR(2) = {random.randrange(4)}; ISB(); }}",
        "if (may()) { ICSR = ICSR_PENDSV_SET; DSB(); ISB(); }",
        "if (may()) { ICSR = ICSR_SYSTICK_SET | ICSR_PENDSV_SET; DSB(); ISB(); }",
        "if (may()) { SVC(3); did('c'); }",
        f"set_priority({random.choice((4, 5, 6, 11, 14, 15, 16 + irq))}, {priority:#x}); ISB();",
        f"NVIC_ICER({word}) = {bit}; if (may()) {{ pend_irq({irq}); DSB(); ISB(); }} NVIC_ISER({word}) = {bit}; ISB();",
        f"NVIC_ICPR({word}) = {bit}; DSB();",
        f"SHCSR = (SHCSR & ~0x70000u) | {random.randrange(8) << 16:#x};",
        f"AIRCR = 0x05FA0000 | {random.randrange(8)} << 8; got('g', AIRCR);",
        "got('a', ICSR); got('s', SHCSR); got('b', NVIC_IABR(1)); got('p', NVIC_ISPR(1));",
        "got('e', MRS(\"ipsr\")); got('c', MRS(\"control\"));",
        f'MSR("apsr_nzcvq", {random.randrange(16) << 28:#x}u); got(\'x\', MRS("xpsr") & 0xF0000000u);',
        "SEV(); WFE(); did('w');",
    )
    made = (
        lambda: random.choice(plain),
        lambda: f"if (may()) {{ {_fault(random)} }}",
        lambda: _pends_in_block(random),
        lambda: _keeps_registers(random, floats),
        lambda: _exclusive(random),
        lambda: _masked(random, floats, depth) if depth < 2 else "did('.');",
    )
    return random.choices(made, (6, 3, 2, 1, 1, 2))[0]()


def _exclusive(random: Random) -> str:
    """An exclusive pair, with or without an exception between both."""
    between = random.choice(("", "", "pend_irq(60); DSB(); ISB();", "SVC(1);"))
    between = between and f"if (may()) {{ {between} }}"
    shown = "did('X');" if between else "got('X', failed);"  # whether one is taken depends on its priority
    return (
        '{ uint32_t v, failed; __asm volatile("ldrex %0, [%1]" : "=r"(v) : "r"(cell + 1) : "memory"); '
        f'{between} __asm volatile("strex %0, %1, [%2]" : "=&r"(failed) : "r"(v + 1), "r"(cell + 1) : "memory"); '
        f"{shown} }}"
    )


def _program(random: Random, floats: bool) -> str:
    def body(least: int, most: int) -> str:
        return "\n    ".join(_action(random, floats) for _ in range(random.randrange(least, most)))

    names = [*(f"irq{irq}" for irq in range(60, 66)), "pendsv", "systick", "svc"]
    handlers = "".join(
        f"void {name}_handler(void)\n{{\n    did('{'012345VTS'[at]}');\n    {body(0, 4)}\n    did('/');\n}}\n"
        for at, name in enumerate(names)
    )
    level = partial(random.choice, random.choice(((0x00, 0x40, 0x80, 0xC0), (0x20, 0x20, 0x60, 0xE0))))
    enable = "".join(
        f"    enable_irq({irq}, {level():#x});\n" for irq in range(60, 66) if random.random() < 0.85
    )
    enable += "".join(f"    set_priority({number}, {level():#x});\n" for number in (4, 5, 6, 11, 14, 15))
    enable += f"    SHCSR = {random.choice((0, 7, 7, random.randrange(8))) << 16:#x};\n"
    if floats:
        enable += "    CPACR |= 0xFu << 20; DSB(); ISB();\n"
        enable += random.choice(("", f"    FPCCR = {random.choice((0, 2, 4, 6)) << 29:#x};\n"))
    call = "    work();\n"
    if random.random() < 0.6:
        enable += f'    MSR("psp", &other_stack[{random.randrange(100, 124)}]);\n'
        call = (
            '    __asm volatile("mrs r4, control\\n orr r5, r4, #2\\n msr control, r5\\n isb\\n bl work\\n"\n'
            '                   "mrs r4, control\\n bic r4, #2\\n msr control, r4\\n isb"\n'
            '                   ::: "r0", "r1", "r2", "r3", "r4", "r5", "r12", "lr", "memory", "cc");\n'
        )
    return (
        f"{HEAD}{handlers}USED void work(void)\n{{\n    {body(4, 10)}\n}}\nvoid scenario(void)\n{{\n"
        f"    left = {random.randrange(4, 24)};\n{enable}{call}"
        '    CPSIE();\n    CPSIE_F();\n    MSR("basepri", 0);\n    ISB();\n    put(\'\\n\');\n    show("sum", sum);\n'
        '    show("cells", cell[0] ^ cell[1]);\n}\n'
    )


def combined(random: Random) -> Iterator[Scenario]:
    """The programs, each a random one; half of those for the second core use its float unit."""
    del random  # so that every board has the same ones
    for number in range(COUNT):
        own = Random(f"combinations {number}")
        core: Core = own.choice(("station", "sampler"))
        floats = core == "sampler" and own.random() < 0.7
        yield Scenario(
            f"{number}",
            _program(own, floats),
            fails=number in LOCKS_UP,
            ends=LOCK_UP if number in LOCKS_UP else "",
            cores=(core,),
            options=HARD if floats else (),
        )


FAMILIES = (combined,)
