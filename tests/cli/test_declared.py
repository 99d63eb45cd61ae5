"""Lines that are in order are read as click reads them; all others are left to click."""

from __future__ import annotations

import click
import pytest

from gemel.cli.catalogue import COMMANDS, loaded
from gemel.cli.declared import COMMON
from gemel.cli.first_help import first_help
from gemel.cli.with_click import clicked, gemel

LINES = (
    ("check", "a.toml"),
    ("check", "a.toml", "b.hex"),
    ("check", "a.hex", "--policy", "p.toml", "--no-disassemble"),
    ("check", "a.toml", "b.hex", "--no-disassemble"),
    ("check", "a.toml", "b.hex", "--no-disassemble", "--disassemble"),
    ("check", "a.toml", "b.hex", "x=y", "z=w", "--all", "--rollback", "7", "--format=json"),
    ("check", "--report", "a.json", "--report=b.xml", "a.toml", "b.hex", "--at", "0x10"),
    ("check", "a.toml", "b.hex", "--format", "text", "--format", "sarif", "--at-least", "4294967295"),
    ("join", "a.toml", "-o", "x.bin", "--output=y.hex", "s=t", "--version", "1.2.3", "--leave-unsealed"),
    ("join", "a.toml", "-o", "x.bin", "--key", "pkcs11:token=a", "--pass-phrase-env", "P"),
    ("show", "i.bin"),
    ("show", "l.toml", "i.bin", "a=b", "--format", "json", "-o", "x.json"),
    ("show", "-", "--as", "hex", "--no-layout", "--color", "never"),
    ("check", "l.toml", "i.bin", "--strict", "--quiet"),
    ("check", "--strict", "l.toml", "i.bin"),
    ("check", "l.toml", "i.bin", "--strict=inputs", "-q", "--color=always"),
    ("join", "l.toml", "-o", "-", "--as", "bin", "--dry-run", "--report", "r.xml"),
    ("explain",),
    ("explain", "record"),
    ("check", "l.toml", "i.bin", "-v"),
    ("draft", "a=b", "c=d", "-o", "x.toml"),
    ("draft", "a=b", "i.bin", "--map", "m.map", "--map", "a=n.map", "--at", "0x10", "--force"),
    ("rehearse", "l.toml", "i.bin", "--watch", "reads", "--watch", "alignment", "--budget", "5"),
    ("rehearse", "l.toml", "i.bin", "--interleavings", "3"),
    ("sign", "l.toml", "i.bin", "-o", "o.bin", "--key", "k", "--add"),
    ("sign", "l.toml", "i.bin", "-o", "o.bin", "--memory", "m=f", "--version", "1.2.3", "--rollback", "0"),
    ("export", "c-reader"),
    ("demo",),
)
LEFT = (
    ("check", "a.toml", ""),
    ("check", "a.toml", "--strict=all"),
    ("check", "a.toml", "--color", "blue"),
    ("check", "a.toml", "b.hex", "--help"),
    ("check", "a.toml", "b.hex", "--format", "yaml"),
    ("check", "a.toml", "b.hex", "--rollback", "-1"),
    ("check", "a.toml", "b.hex", "--rollback", "4294967296"),
    ("check", "a.toml", "b.hex", "--rollback", "1_0"),
    ("check", "a.toml", "b.hex", "--rollback"),
    ("check", "a.toml", "b.hex", "--bogus"),
    ("check", "a.toml", "b.hex", "--all=yes"),
    ("check", "a.toml", "b.hex", "--no-disassemble=yes"),
    ("check", "--", "a.toml", "b.hex"),
    ("join", "a.toml"),
    ("join", "a.toml", "-ox.bin"),
    ("join", "a.toml", "-o", "--version"),
    ("draft",),
    ("export", "nothing"),
)


@pytest.mark.parametrize("line", LINES, ids=" ".join)
def test_lines_in_order_are_read_as_by_click(line: tuple[str, ...]):
    """The same values, of the same types, under the same names."""
    command = loaded(line[0])
    with clicked(command).make_context(line[0], list(line[1:])) as context:
        expected = dict(context.params)
    assert command.values_of(line[1:]) == expected


@pytest.mark.parametrize("line", LEFT, ids=" ".join)
def test_other_lines_are_left_to_click(line: tuple[str, ...]):
    assert loaded(line[0]).values_of(line[1:]) is None


@pytest.mark.parametrize("columns", [30, 50, 60, 72, 79, 80, 81, 120])
def test_first_help_is_that_of_click(columns: int, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setenv("COLUMNS", str(columns))
    with click.Context(gemel, info_name="gemel", **gemel.context_settings) as context:
        assert first_help() == context.get_help()


def test_every_parameter_is_one_of_its_function():
    """Names of declarations agree with the function's parameters, or the fields of what it takes, for every command."""
    for name in COMMANDS:
        command = loaded(name)
        for each in [command, *(command.below or {}).values()]:
            code = each.function.__code__
            taken = each.takes.__annotations__ if each.takes else code.co_varnames[: code.co_argcount]
            assert {parameter.name for parameter in each.parameters} - {
                common.name for common in COMMON
            } == set(taken)
