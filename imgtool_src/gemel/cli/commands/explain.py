"""``gemel explain``."""

from __future__ import annotations

from gemel.cli.declared import argument, sub_command
from gemel.cli.echo import echo

WIDTH = 80
"""Columns of the text about rules; the pages on formats are as wide at most."""


@sub_command("explain")
@argument("topic", metavar="[RULE|record|seal|layout|policy|rehearsal|python]", required=False)
def command(topic: str | None) -> int:
    """Explain the rules, one rule, or the format of the record.

    Without a topic: all rules, a line each. With a rule's name: what it checks, why, what to do, the source.
    With record: the record's format, byte by byte. With seal: the seal's format, its algorithms, what it
    promises and what it does not. With layout: every key of the layout language. With policy: every key of a
    receiver's policy. With rehearsal: what a rehearsal does not model. With python: what scripts and tests
    use, and how to add rules of your own.

    \b
    Example:
      gemel explain reset-handler-in-code
    """
    if topic is None:
        echo(_all_rules())
    elif topic == "record":
        from gemel.record.page import page

        echo(page(), nl=False)
    elif topic == "seal":
        from gemel.seals.page import page as seal_page

        echo(seal_page(), nl=False)
    elif topic == "rehearsal":
        from gemel.rehearsal import limits_page

        echo(limits_page(), nl=False)
    elif topic == "python":
        from importlib.resources import files

        echo(files("gemel").joinpath("python_page.md").read_text(encoding="utf-8"), nl=False)
    elif topic == "policy":
        from gemel.policy.page import page as policy_page

        echo(policy_page(), nl=False)
    elif topic == "layout":
        from gemel.layout.reference import layout_reference

        echo(layout_reference(), nl=False)
    else:
        echo(_one_rule(topic))
    return 0


def _all_rules() -> str:
    import textwrap

    from gemel.checking.registry import rule_lines

    known = rule_lines()
    lines = []
    for name, severity, checks in known:
        lines.append(f"{name}  ({severity})")
        lines += textwrap.wrap(checks, WIDTH, initial_indent="    ", subsequent_indent="    ")
    lines += [
        "",
        f"{len(known)} rules. `gemel explain RULE` says why, what to do and where it comes",
        "from; `gemel explain record`, `seal`, `layout` and `policy` print the formats.",
    ]
    return "\n".join(lines)


def _one_rule(name: str) -> str:
    import textwrap

    from gemel.checking.registry import rule_named, rule_names
    from gemel.errors import Problem, UsageProblem

    rule = rule_named(name)
    if rule is None:
        from gemel.layout.kinds import nearest_hint

        names = rule_names()
        hint = (
            nearest_hint(name, [*names, "record", "seal", "layout", "policy", "rehearsal", "python"])
            or "`gemel explain` lists the rules"
        )
        raise UsageProblem(
            Problem(
                "no rule or topic of this name",
                found=name,
                expected="a rule, record, seal, layout, policy, rehearsal or python",
                next_step=hint,
            )
        )
    lines = [f"{rule.name}  ({rule.severity})", ""]
    guards = {
        "image": "the image: cannot be waived or made less severe where a seal is demanded",
        "device": "that the device works",
    }
    for label, text in (
        ("guards", guards[rule.guards]),
        ("checks", rule.checks),
        ("why", rule.why),
        ("remedy", rule.remedy),
        ("source", rule.source),
    ):
        lines += textwrap.wrap(text, WIDTH, initial_indent=f"  {label:<8}", subsequent_indent=" " * 10)
    return "\n".join(lines)
