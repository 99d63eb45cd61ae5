"""Words of debuggers: `gemel explain` leads each to what it means and to the rules that help."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from in_process import run_here

from gemel.checking.registry import rule_names
from gemel.cli.catalogue import COMMANDS, TOPICS
from gemel.cli.words import known_words, meaning_of_word
from gemel.m_profile import fault_registers


def explained(*words: str) -> str:
    """What `gemel explain` prints, its line breaks taken out."""
    done = run_here("explain", *words, cwd=Path.cwd())
    assert done.returncode == 0, done.stderr
    return " ".join(done.stdout.split())


def test_every_bit_of_a_fault_register_is_known() -> None:
    """All that `gemel where` names in a fault log, but for the debugger's own reasons to stop."""
    registers = (fault_registers._CONFIGURABLE, fault_registers._HARD, fault_registers._SECURE)
    names = {name for bits in registers for name in bits.values()}
    assert names <= {word.upper() for word in known_words()}


def test_every_word_leads_somewhere() -> None:
    """The rules are rules, the commands and pages that a text names are there."""
    for word in known_words():
        says, rules = meaning_of_word(word) or ("", ())
        assert set(rules) <= set(rule_names()), word
        for quoted in says.split("`")[1::2]:
            _, command, *others = quoted.split()
            assert command in COMMANDS, word
            assert command != "explain" or others[0] in TOPICS, word


@pytest.mark.parametrize(
    ("word", "says", "leads_to"),
    [
        ("lockup", "lockup: the core faulted in its HardFault", "required-handlers-present"),
        ("NOCP", "NOCP: UsageFault: a float or coprocessor instruction", "float-enabled-before-use"),
        ("undefinstr", "UNDEFINSTR: UsageFault", "instructions-fit-core"),
        ("hard-fault", "HardFault: a fault", "required-handlers-present"),
        ("memory management fault", "MemManage fault: an access", "handlers-executable"),
        ("VECTTBL", "VECTTBL: HardFault", "vector-register-own-table"),
        ("Stack Overflow", "stack overflow: a stack", "stack-has-room"),
        ("dump", "`gemel check --from-device`", ""),
    ],
)
def test_a_word_leads_to_what_helps(word: str, says: str, leads_to: str) -> None:
    """In whatever spelling; the rules follow where there are any."""
    text = explained(word)
    assert says in text
    assert leads_to in text
    assert text.endswith("rules" if leads_to else "."), text


def test_words_of_rules_stay_as_they_were() -> None:
    """A word that rules mention, a rule and a topic are shown without a meaning of ours before them."""
    assert explained("stack").startswith("security attribution")
    assert explained("required-handlers-present").startswith("required-handlers-present (warning)")
    assert explained("release").startswith("The release folder")


def test_the_meaning_is_in_json() -> None:
    """As the page, with the rules."""
    data = json.loads(explained("NOCP", "--format", "json"))
    assert data["page"].startswith("NOCP: UsageFault")
    assert "float-enabled-before-use" in [each["name"] for each in data["rules"]]
    assert json.loads(explained("dump", "--format", "json"))["rules"] == []


@pytest.mark.parametrize(("slip", "near"), [("STKOFF", "stkof"), ("lock-upp", "lockup")])
def test_a_slip_in_a_word(slip: str, near: str) -> None:
    """The nearest word is named."""
    done = run_here("explain", slip, cwd=Path.cwd())
    assert (done.returncode, f'did you mean "{near}"?' in done.stderr) == (2, True)
