"""``version-as-asked``: an image of another version or rollback counter than was meant."""

from __future__ import annotations

from image_edits import changed
from record_edits import with_record
from small_device import RECORD, apply, builds, findings, joined, layout

from gemel.joining.pipeline import join
from gemel.placement.placed import Version

RULE = "version-as-asked"
NO_VERSION = layout({'version = "1.2.3"\n': ""})

BREAKS = {
    "another version than on the command line": lambda: apply(RULE, version=Version(1, 3, 0)),
    "a lower rollback counter than the layout's": lambda: apply(RULE, image=with_record(rollback=6)),
    "another counter than on the command line": lambda: apply(RULE, rollback=8),
    "both": lambda: apply(
        RULE, image=with_record(major=2, rollback=0), version=Version(1, 2, 3), rollback=7, handed={}
    ),
}

KEEPS = {
    "a join": lambda: apply(RULE),
    "the image alone": lambda: apply(RULE, handed={}),
    "version and counter of the command line": lambda: apply(
        RULE,
        image=join(layout(), builds(), Version(2, 0, 70_000), 9).image,
        version=Version(2, 0, 70_000),
        rollback=9,
    ),
    "a counter of 0 on the command line": lambda: apply(
        RULE, image=join(layout(), builds(), rollback=0).image, rollback=0
    ),
}


def test_origin_is_told() -> None:
    """A finding says whether layout or command line asked for it."""
    asked = {
        finding.expected
        for name in (
            "a lower rollback counter than the layout's",
            "another version than on the command line",
            "another counter than on the command line",
        )
        for finding in findings(BREAKS[name]())
    }
    assert asked == {"7 or more (layout)", "1.3.0 (--version)", "8 (--rollback)"}


def test_no_version_anywhere_is_not_checked() -> None:
    """Where neither layout nor command line gives a version, the counter alone is checked."""
    image = join(NO_VERSION, builds(), Version(1, 0, 0)).image
    result = apply(RULE, NO_VERSION, image)
    assert [missing.reason for missing in result.not_checked] == [
        "needs --version: the layout states no version"
    ]
    assert [held.where for held in result.holds] == ["rollback counter 7"]


def test_what_was_not_asked_for_is_no_finding() -> None:
    """A later version or counter than the layout's is one that was joined with options: the receiver did not ask."""
    result = apply(RULE, image=with_record(patch=4, rollback=8), handed={})
    assert (result.status, result.findings) == ("not checked", ())
    assert [(each.where, each.kind, each.needs[0].name) for each in result.not_checked] == [
        ("version", "option", "--version"),
        ("rollback counter", "option", "--rollback"),
    ]


def test_what_the_layout_states_is_due_where_that_is_asked_for() -> None:
    """A signer's check: the layout's version and counter must be there where no option gives others."""
    image = with_record(patch=4, rollback=8)
    other = apply(RULE, image=image, handed={}, as_layout_states=True)
    assert [(each.found, each.expected) for each in findings(other)] == [
        ("1.2.4, rollback counter 8", "1.2.3 (layout), rollback counter 7 (layout)"),
    ]
    asked = {"version": Version(1, 2, 4), "rollback": 8}
    assert apply(RULE, image=image, handed={}, as_layout_states=True, **asked).status == "holds"


def test_an_unsound_record_is_not_checked() -> None:
    """An unsound record has no version to compare."""
    result = apply(RULE, image=changed(joined().image, {RECORD: b"X"}))
    assert [missing.reason for missing in result.not_checked] == ["the record is not sound"]
