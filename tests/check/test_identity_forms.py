"""What a result is about is the same in every form: field by field, the text against JSON and flat properties."""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree as ElementTree
from collections.abc import Callable

import pytest
from image_edits import changed
from sealed_images import NEW, OLD, REQUIRED, STRANGER, cut_away, sealed, sealed_layout
from small_device import STATION, builds, layout

from gemel.checking.identity import identity_of
from gemel.checking.identity_forms import identity_properties, identity_rows
from gemel.checking.reports import as_json, as_junit, as_sarif
from gemel.checking.runner import RulesApplied
from gemel.image.image import ImageFile
from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection

FILE = ImageFile(size=4_711, sha256=bytes(range(32)))
LOWERED = sealed_layout(
    'required = true\n\n[rules]\nseverity = [{ rule = "stack-has-room", severity = "note", reason = "measured" }]\n'
    'waive = [{ rule = "erase-blocks-apart", where = "station-code", reason = "agreed", until = 2027-06-30 }]\n'
)


def _of(image=None, read=REQUIRED, given=None, trusted=(OLD,), **more: object) -> Inspection:
    return Inspection(
        read,
        sealed(OLD) if image is None else image,
        builds() if given is None else given,
        file="tide.hex",
        image_file=FILE,
        trusted=tuple(key.public_key for key in trusted),
        **more,
    )


CASES: dict[str, Callable[[], Inspection]] = {
    "sealed and verified": _of,
    "no builds": lambda: _of(given={}),
    "one build": lambda: _of(given={"station": builds()["station"]}),
    "two signers, one of them trusted": lambda: _of(sealed(OLD, NEW)),
    "a stranger signed": lambda: _of(sealed(STRANGER)),
    "no key is given": lambda: _of(trusted=()),
    "not sealed": lambda: _of(cut_away(sealed(OLD))),
    "malformed seal": lambda: _of(cut_away(sealed(OLD), 0x55)),
    "changed after it was sealed": lambda: _of(changed(sealed(OLD), {STATION + 0x90: b"\x12\x34"})),
    "waivers and severities": lambda: _of(sealed(OLD, read=LOWERED), LOWERED),
    "options": lambda: _of(at_least=3, strict="inputs", disassemble=False),
}
every_case = pytest.mark.parametrize("case", CASES)
NO_FACTS = {
    "bytes",
    "the",
    "is",
    "with",
    "SHA-256",
    "key",
    "id",
    "build",
    "rollback",
    "counter",
    "a",
    "counts",
    "as",
    "by",
}
"""Words of the text between the facts."""


def _words(text: str) -> set[str]:
    return set(re.findall(r"[^\s,:;]+", text.replace("...", "")))


@every_case
def test_flat_properties_have_every_fact_of_the_text(case: str) -> None:
    """Each word of each row for people is in the properties; a fingerprint is there in full."""
    identity = identity_of(CASES[case]())
    flat = " ".join(f"{name} {value}" for name, value in identity_properties(identity))
    known = _words(flat)
    for label, value in identity_rows(identity):
        lacking = {word for word in _words(value) - known - NO_FACTS if word not in flat}
        assert not lacking, (label, value)


@every_case
def test_json_and_sarif_have_the_same_identity(case: str) -> None:
    """Both hold it as data, word for word the same."""
    result, inspection = RulesApplied((), (), ""), CASES[case]()
    in_json = json.loads(as_json.report(result, inspection, ""))["identity"]
    (run,) = json.loads(as_sarif.report(result, inspection, ""))["runs"]
    assert run["properties"]["identity"] == in_json


@every_case
def test_junit_has_the_properties(case: str) -> None:
    """The properties of a JUnit file begin with those of the identity, and no value is lost."""
    inspection = CASES[case]()
    suite = ElementTree.fromstring(as_junit.report(RulesApplied((), (), ""), inspection, "").encode())
    found = [(each.get("name"), each.get("value")) for each in suite.iter("property")]
    expected = list(identity_properties(identity_of(inspection)))
    assert found[: len(expected)] == expected


def test_a_signature_over_other_bytes_says_so_in_every_form() -> None:
    """That the image was changed after it was sealed is no matter of one form."""
    inspection = CASES["changed after it was sealed"]()
    identity = identity_of(inspection)
    assert identity.as_sealed is False
    for pairs in (identity_rows(identity), identity_properties(identity)):
        assert any("NOT OVER THESE BYTES" in value for _, value in pairs)
    sound = identity_of(CASES["sealed and verified"]())
    assert not any("NOT" in value for _, value in identity_properties(sound))


def test_an_image_without_a_record_has_the_name_of_its_layout() -> None:
    """No record need be asked for; where one is, a rule says that it is missing."""
    read = layout({'[record]\narea = "record"\nvendor = "harbour.example"\nclass = "small device"\n': ""})
    heading = next(identity_rows(identity_of(Inspection(read, SparseBytes(), {}, file="tide.hex"))))
    assert heading == ("", "tide.hex: small-device, by the layout")
