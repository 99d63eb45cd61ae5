"""One area for a seal: a second one was covered by no digest and no signature."""

from __future__ import annotations

import pytest
from image_edits import changed
from small_device import apply, joined, layout, layout_text

from gemel.errors import LayoutError
from gemel.layout.reader import read_layout

SEAL = '\n[seal]\narea = "seal"\n'
SECOND = {
    "seal = { memory": 'other = { memory = "flash", offset = "12 KiB", size = "1 KiB", purpose = "seal" }\n'
    "seal = { memory"
}


def test_a_second_area_for_a_seal_is_refused() -> None:
    """The attack: 1 KiB in an area of purpose seal that [seal] does not name passed, whatever was in it."""
    with pytest.raises(LayoutError) as caught:
        read_layout(layout_text(SECOND, SEAL).encode(), "small.toml")
    (problem,) = caught.value.problems
    assert problem.what.startswith("a second area for a seal")
    assert problem.found == "other, next to seal"
    assert problem.where.startswith("small.toml:")


def test_without_a_seal_such_an_area_is_covered_like_any_other() -> None:
    """Where no [seal] names one, the digest of the rest covers them all."""
    for replace in (None, SECOND):
        read = layout(replace)
        name = "other" if replace else "seal"
        attacked = changed(joined(read).image, {read.layout.span_of(name).start: b"\xbe\xef"})
        assert apply("rest-digest-matches", read, attacked, {}).status == "broken"
        assert apply("rest-digest-matches", read, joined(read).image, {}).status == "holds"
