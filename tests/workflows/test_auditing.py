"""An audit as scripts run it: every file has its result, what is known is not judged again, nothing ends it."""

from __future__ import annotations

import datetime
import os
import shutil
from pathlib import Path

import pytest
from audited import OPTIONS, audited, plan_of_folder, plan_of_layout, write_image, write_layout
from runs import write_device
from seal_keys import key_for
from small_device import LAYOUT, STATION_ID, layout_text

import gemel
from gemel.audit.index import Index
from gemel.audit.terms import term_in
from gemel.errors import UsageProblem
from gemel.structs import replace
from gemel.workflows.auditing.plan import plan_for_layout, plan_of

BROKEN_BY_A_BYTE = {"record-digests-match"}


def test_verdicts_are_those_of_check(tmp_path):
    """Sound, broken and unreadable files side by side: each has the verdict of ``gemel.check`` or its reason."""
    plan = plan_of_layout(tmp_path)
    malformed = tmp_path / "malformed.hex"
    malformed.write_text(":10000000zz\n")
    paths = [
        write_image(tmp_path / "sound.hex"),
        write_image(tmp_path / "broken.srec", broken=True),
        malformed,
        tmp_path / "missing.bin",
        tmp_path,
    ]
    sound, broken, bad, missing, folder = audited(paths, plan)
    assert (sound.status, sound.version, sound.rollback) == ("passes", "1.2.3", 7)
    assert sound.builds[0].build_id == STATION_ID.hex()
    assert sound.rules_not_checked > 0
    read = gemel.load_layout(tmp_path / "small.toml")
    check = gemel.check(read, gemel.read_image(paths[1], layout=read), today=OPTIONS.date)
    assert broken.status == "broken"
    assert set(broken.broken_rules) >= BROKEN_BY_A_BYTE
    assert {each.rule for each in broken.findings} == {each.rule.name for each in check.findings}
    assert bad.status == "not judged"
    assert "line 1" in bad.problem or "1:" in bad.problem
    assert "No such file" in missing.problem
    assert folder.status == "not judged"


def test_each_image_is_judged_by_the_layout_that_its_record_names(tmp_path):
    """Of two layouts that differ in an area's size each takes its own images, raw binaries among them."""
    other = {'offset = "8 KiB", size = "2 KiB"': 'offset = "8 KiB", size = "1 KiB"'}
    layouts = tmp_path / "layouts"
    write_layout(layouts / "one.toml")
    write_layout(layouts / "deep" / "two.toml", other)
    paths = [
        write_image(tmp_path / "a.hex"),
        write_image(tmp_path / "b.bin", other),
        write_image(tmp_path / "c.bin"),
        write_image(tmp_path / "d.hex", {'product = "small-device"': 'product = "another"'}),
    ]
    (tmp_path / "none.bin").write_bytes(bytes(5000))
    results = audited([*paths, tmp_path / "none.bin"], plan_of_folder(layouts))
    assert [each.layout for each in results] == ["one.toml", "two.toml", "one.toml", None, None]
    assert [each.status for each in results] == ["passes"] * 3 + ["not judged"] * 2
    assert results[3].product == "another"
    assert results[3].builds[0].build_id == STATION_ID.hex()
    assert "none of the layouts" in results[3].problem
    assert "no sound record" in results[4].problem


def test_a_folder_of_layouts_may_hold_other_files(tmp_path):
    """A broken layout, a policy and a copy with comments do no harm; the first two are remarked."""
    write_layout(tmp_path / "a.toml")
    (tmp_path / "b.toml").write_text("# a comment\n" + layout_text())
    (tmp_path / "c.toml").write_text("format = [")
    (tmp_path / "d.toml").write_text('trust = ["release-pub.pem"]\n')
    plan = plan_of_folder(tmp_path)
    assert len(plan.layouts) == 1
    assert {Path(each.where.split(":")[0]).name for each in plan.remarks} == {"c.toml", "d.toml"}


def test_two_layouts_of_one_digest_must_judge_alike(tmp_path):
    """A waiver in one of two otherwise equal layouts would make the verdict a matter of chance: refused."""
    write_layout(tmp_path / "a.toml")
    waiver = (
        '[[rules.waive]]\nrule = "checksums-match"\nwhere = "station-crc"\nreason = "r"\nuntil = 2030-01-01\n'
    )
    write_layout(tmp_path / "b.toml", add=f"\n{waiver}")
    with pytest.raises(UsageProblem, match="same digest"):
        plan_of_folder(tmp_path)


def test_a_folder_without_a_layout_is_refused(tmp_path):
    """An empty folder, and one that is not there."""
    with pytest.raises(UsageProblem, match="no layout that can be used"):
        plan_of_folder(tmp_path)
    with pytest.raises(UsageProblem):
        plan_of_folder(tmp_path / "missing")


def test_duplicates_are_the_same_content_in_any_format(tmp_path):
    """HEX and S-record of one image, and a copy; an image of another version is none."""
    first = write_image(tmp_path / "a.hex")
    second = write_image(tmp_path / "b.srec")
    third = Path(shutil.copy(first, tmp_path / "c.hex"))
    fourth = write_image(tmp_path / "d.hex", {'version = "1.2.3"': 'version = "1.2.4"'})
    plan = plan_of_layout(tmp_path)
    results = audited([first, second, third, fourth], plan)
    assert [each.duplicate_of for each in results] == [None, str(first), str(first), None]


def test_a_file_that_is_named_twice_is_judged_once(tmp_path):
    """Also by another way to its folder."""
    first = write_image(tmp_path / "a.hex")
    paths = [first, first, f"{tmp_path}/./a.hex"]
    assert len(audited(paths, plan_of_layout(tmp_path))) == 1


def test_what_is_unchanged_is_taken_from_the_index(tmp_path):
    """A second run judges only what is new, changed or was not judged, and gives the same results in the same order."""
    index = tmp_path / "index.sqlite"
    plan = plan_of_layout(tmp_path)
    paths = [write_image(tmp_path / "a.hex"), write_image(tmp_path / "b.hex", broken=True)]
    first = audited(paths, plan, index)
    second = audited(paths, plan, index)
    assert [replace(each, unchanged=False) for each in second] == first
    assert all(each.unchanged for each in second)
    write_image(paths[1])
    new = write_image(tmp_path / "0.srec")
    third = audited([new, *paths], plan, index)
    assert [each.unchanged for each in third] == [False, True, False]
    assert [each.status for each in third] == ["passes"] * 3
    assert [each.duplicate_of for each in third] == [None, str(new), str(new)]
    assert not any(each.unchanged for each in audited(paths, plan, index, again=True))


def test_a_change_of_same_size_and_time_is_seen(tmp_path):
    """A file replaced by one of the same size whose modification time is set back."""
    index, plan = tmp_path / "index.sqlite", plan_of_layout(tmp_path)
    path = write_image(tmp_path / "a.bin")
    status = path.stat()
    audited([path], plan, index)
    write_image(path, broken=True)
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))
    assert path.stat().st_size == status.st_size
    assert audited([path], plan, index)[0].status == "broken"


@pytest.mark.parametrize("name", ["at_least", "at", "disassemble", "date"])
def test_what_else_the_verdict_depends_on_has_all_judged_again(tmp_path, name):
    """Another counter, place or option; another date only where a waiver ends between the two."""
    write_layout(tmp_path / "small.toml")
    base = plan_for_layout(tmp_path / "small.toml", OPTIONS).only
    values = {"at_least": 3, "at": 0x1000_0000, "disassemble": True, "date": datetime.date(2027, 1, 1)}
    changed = replace(OPTIONS, **{name: values[name]})
    plan = plan_for_layout(tmp_path / "small.toml", changed).only
    assert base
    assert plan
    assert (base.judged_by == plan.judged_by) == (name == "date")
    waiver = (
        '[[rules.waive]]\nrule = "checksums-match"\nwhere = "station-crc"\nreason = "r"\nuntil = 2026-12-31\n'
    )
    write_layout(tmp_path / "small.toml", add=f"\n{waiver}")
    waived = plan_for_layout(tmp_path / "small.toml", OPTIONS).only
    assert waived
    assert waived.judged_by != base.judged_by
    if name == "date":
        later = plan_for_layout(tmp_path / "small.toml", changed).only
        assert later
        assert later.judged_by != waived.judged_by


def test_a_plan_is_read_back_as_it_was(tmp_path):
    """What each process gets is the plan."""
    plan = plan_of_layout(tmp_path, at=0, at_least=7, disassemble=True, paths_outside=True)
    assert plan_of(plan.as_line()) == plan


def test_a_layout_that_changes_meanwhile_is_not_judged_by(tmp_path):
    """The processes read the layout after it was looked at: another file by then is an error of each image."""
    plan = plan_of_layout(tmp_path)
    write_layout(tmp_path / "small.toml", {"rollback = 7": "rollback = 8"})
    (result,) = audited([write_image(tmp_path / "a.hex")], plan)
    assert result.status == "not judged"
    assert "changed during the audit" in result.problem


def test_signers_and_trust(tmp_path):
    """A sealed image names its signer; with another key trusted it is broken, and an unsealed one is too."""
    key = key_for("Ed25519")
    text = LAYOUT + '\n[seal]\narea = "seal"\n'
    write_device(tmp_path)
    (tmp_path / "small.toml").write_text(text)
    public = tmp_path / "pub.pem"
    public.write_bytes(key.public_key.to_pem())
    read = gemel.load_layout(tmp_path / "small.toml")
    builds = {name: tmp_path / f"{name}.elf" for name in ("station", "sampler")}
    image = gemel.join(read, gemel.load_builds(read, builds)).image
    gemel.write_images(image, tmp_path / "plain.hex", layout=read)
    gemel.write_images(gemel.seal(read, image, [key]), tmp_path / "sealed.hex", layout=read)
    options = replace(OPTIONS, trust=(str(public),))
    plan = plan_for_layout(tmp_path / "small.toml", options)
    index = tmp_path / "index.sqlite"
    plain, sealed = audited([tmp_path / "plain.hex", tmp_path / "sealed.hex"], plan, index)
    assert (plain.status, sealed.status) == ("broken", "passes")
    assert "seal-present" in plain.broken_rules
    assert sealed.signers[0].counted
    opened = Index(index, write=False)
    (found,) = opened.find([term_in(f"key={key.public_key.fingerprint.hex()[:12]}")])
    opened.close()
    assert found.path.endswith("sealed.hex")
