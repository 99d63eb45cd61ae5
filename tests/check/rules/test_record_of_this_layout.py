"""``record-of-this-layout``: an image of another product, layout or set of builds."""

from __future__ import annotations

import uuid

from gauge_builds import gauge, gauge_builds
from image_edits import changed
from record_edits import record_of, with_entry, with_record
from small_device import RAM_OF_SAMPLER, RECORD, SPARE, apply, builds, findings, joined, layout, sampler_elf

from gemel.joining.pipeline import join

RULE = "record-of-this-layout"
NAMES = 'vendor = "harbour.example"\nclass = "small device"\n'
OTHER_NAMES = layout({NAMES: 'vendor = "lighthouse.example"\nclass = "small device"\n'})
NO_NAMES = layout({NAMES: ""})
UUIDS = layout(
    {
        NAMES: 'vendor = "6ba7b810-9dad-11d1-80b4-00c04fd430c8"\n'
        'class = "6ba7b811-9dad-11d1-80b4-00c04fd430c8"\n'
    }
)
_STATION = '[build.station]\ncore = "station"\nstored_in = "station-code"\n'
TURNED = layout({f"{_STATION}\n": "", "[contract.link]": f"{_STATION}\n[contract.link]"})
"""The same layout with the sampler's build before the station's."""

ANOTHER = layout({"interrupts = 16": "interrupts = 32"})
ANOTHER_VERSION = layout({"interrupts = 16": "interrupts = 32", 'version = "1.2.3"': 'version = "1.3.0"'})
COPIED = layout({'stored_in = "sampler-code"\n': 'stored_in = "sampler-code"\nruns_in = "sampler-run"\n'})


def copied(**values: object):  # type: ignore[no-untyped-def]
    """The image of a sampler that the station copies to RAM, with these fields of its entry replaced."""
    sampler = sampler_elf(run=RAM_OF_SAMPLER + 0x3400)
    return with_entry(1, joined(COPIED, builds(sampler=sampler)).image, **values)


BREAKS = {
    "another product": lambda: apply(RULE, image=with_record(product="tide-gauge")),
    "another vendor and class": lambda: apply(RULE, OTHER_NAMES, joined().image),
    "ids that the layout does not give": lambda: apply(RULE, NO_NAMES, joined().image),
    "no ids": lambda: apply(RULE, image=with_record(vendor_id=None, class_id=None)),
    "another layout": lambda: apply(RULE, ANOTHER, joined().image),
    "another layout of another version": lambda: apply(RULE, ANOTHER_VERSION, joined().image),
    "other builds": lambda: apply(RULE, image=with_record(builds=record_of(joined().image).builds[:1])),
    "a build of another name": lambda: apply(RULE, image=with_entry(1, name="logger")),
    "a build for another core": lambda: apply(RULE, image=with_entry(1, core="station", role="primary")),
    "a core in another role": lambda: apply(RULE, image=with_entry(1, role="primary")),
    "a build outside its area": lambda: apply(RULE, image=with_entry(1, stored_start=0x1000_1FF8)),
    "another run address": lambda: apply(
        RULE, image=with_entry(1, run_start=0x1000_2000, vector_address=0x1000_2000), handed={}
    ),
    "another vector address": lambda: apply(RULE, image=with_entry(1, vector_address=SPARE), handed={}),
    "no vector address": lambda: apply(RULE, image=with_entry(1, vector_address=None), handed={}),
    "a copied build that runs outside its area": lambda: apply(
        RULE, COPIED, copied(run_start=RAM_OF_SAMPLER, vector_address=RAM_OF_SAMPLER), {}
    ),
    "a copied build with another vector address": lambda: apply(
        RULE, COPIED, copied(vector_address=RAM_OF_SAMPLER + 0x3500), {}
    ),
}

KEEPS = {
    "a join": lambda: apply(RULE),
    "a layout of a newer version": lambda: apply(
        RULE, layout({'version = "1.2.3"': 'version = "1.3.0"'}), joined().image
    ),
    "a layout with a higher counter": lambda: apply(
        RULE, layout({"rollback = 7": "rollback = 8"}), joined().image
    ),
    "a layout of a newer version and counter": lambda: apply(
        RULE, layout({'"1.2.3"\nrollback = 7': '"1.3.0"\nrollback = 8'}), joined().image
    ),
    "the image alone": lambda: apply(RULE, handed={}),
    "builds in another order": lambda: apply(
        RULE, image=with_record(builds=record_of(joined().image).builds[::-1])
    ),
    "builds in another order in the layout": lambda: apply(RULE, TURNED, joined().image),
    "no vendor, no class": lambda: apply(RULE, NO_NAMES),
    "a copied build": lambda: apply(RULE, COPIED, copied(), {}),
    "ids as UUIDs": lambda: apply(RULE, UUIDS),
    "the joined tide gauge": lambda: apply(RULE, gauge(), join(gauge(), gauge_builds()).image, {}),
}


def test_vendor_and_class_are_the_uuids_of_the_standard() -> None:
    """RFC 9124 sections 3.3 and 3.4: UUIDv5 of the domain name, then of the class under it (`uuid`)."""
    made = joined().record
    assert made is not None
    vendor = uuid.uuid5(uuid.NAMESPACE_DNS, "harbour.example")
    assert (made.vendor_id, made.class_id) == (vendor, uuid.uuid5(vendor, "small device"))
    given = joined(UUIDS).record
    assert given is not None
    assert given.vendor_id == uuid.NAMESPACE_DNS
    assert given.class_id == uuid.NAMESPACE_URL


def test_a_changed_comment_is_the_same_layout() -> None:
    """The digest is of what the layout says, so comments, order of keys and spacing do not count."""
    other = layout({"rollback = 7": "rollback   =   7   # as agreed"})
    assert apply(RULE, other, joined().image).status == "holds"


def test_the_order_of_builds_in_the_file_changes_no_byte() -> None:
    """A record lists the builds by stored address, since the layout's digest does not tell their order."""
    assert list(TURNED.layout.builds) == ["sampler", "station"]
    assert TURNED.digest == layout().digest
    assert joined(TURNED).image == joined().image


def test_what_follows_from_another_vendor_is_no_further_finding() -> None:
    """Another vendor changes the class as well, and the layout's digest."""
    (finding,) = findings(BREAKS["another vendor and class"]())
    assert finding.what == "the image is for another vendor id"
    assert finding.lines == (
        "also: the image is for another class id",
        "also: the image was joined with another layout",
    )


def test_an_unsound_record_is_not_checked() -> None:
    """What an unsound record says of product and builds is not looked at."""
    result = apply(RULE, image=changed(joined().image, {RECORD: b"X"}))
    assert [missing.reason for missing in result.not_checked] == ["the record is not sound"]
