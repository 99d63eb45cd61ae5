"""The functions of ``import gemel``: what they take, what they give, and how they fail."""

from __future__ import annotations

import datetime
import json
from pathlib import Path
from xml.etree import ElementTree

import pytest

import gemel
from gemel.demo import demo_files


@pytest.fixture
def demo(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with the demo's layout and builds."""
    for name, data in demo_files().items():
        (tmp_path / name).write_bytes(data)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def loaded() -> tuple[gemel.ReadLayout, dict[str, gemel.Build]]:
    """The demo's layout and builds."""
    layout = gemel.load_layout("tide-gauge.toml")
    return layout, gemel.load_builds(layout, {"station": "station.elf", "sampler": Path("sampler.elf")})


def test_layout_gets_every_check(demo: Path) -> None:
    """What only later rooms know (waivers, severities, seals, checksums) is found by ``load_layout`` too."""
    text = Path("tide-gauge.toml").read_text()
    text += """
[rules]
waive = [{ rule = "no-such-rule", where = "station", reason = "x", until = 2099-01-01 }]
severity = [{ rule = "seal-present", severity = "note", reason = "x" }]
"""
    Path("wrong.toml").write_text(text)
    with pytest.raises(gemel.GemelError) as caught:
        gemel.load_layout("wrong.toml")
    whats = [problem.what for problem in caught.value.problems]
    assert any("unknown rule" in what for what in whats)
    assert any("seal" in what for what in whats)


def test_unsealed_image_fails_where_a_seal_is_required(demo: Path) -> None:
    """Python refuses what the command line refuses: no seal under ``required = true``."""
    text = Path("tide-gauge.toml").read_text().replace("[seal]\n", "[seal]\nrequired = true\n")
    assert "required = true" in text
    Path("strict.toml").write_text(text)
    layout = gemel.load_layout("strict.toml")
    builds = gemel.load_builds(layout, {"station": "station.elf", "sampler": "sampler.elf"})
    result = gemel.check(layout, gemel.join(layout, builds).image, builds)
    assert not result.passes
    assert {found.rule.name for found in result.findings} >= {"seal-present"}


def test_builds_as_bytes_and_files_are_the_same(demo: Path) -> None:
    """The bytes of a file give the same image as the file."""
    layout, builds = loaded()
    data = {name: Path(f"{name}.elf").read_bytes() for name in builds}
    one = gemel.join(layout, builds).image
    other = gemel.join(layout, gemel.load_builds(layout, data)).image
    assert one.data == other.data
    assert one.entry == other.entry


def test_all_faulty_builds_at_once(demo: Path) -> None:
    """Every build that cannot be read is in one error; unknown names are another, with the nearest name."""
    layout = gemel.load_layout("tide-gauge.toml")
    with pytest.raises(gemel.GemelError) as caught:
        gemel.load_builds(layout, {"station": b"x", "sampler": "nowhere.elf"})
    assert len(caught.value.problems) == 2
    assert caught.value.exit_code == 2
    with pytest.raises(gemel.GemelError) as caught:
        gemel.load_builds(layout, {"staton": "station.elf", "smpler": "sampler.elf"})
    assert len(caught.value.problems) == 2
    assert "station" in caught.value.problems[0].next_step


def test_values_that_cannot_be_are_refused(demo: Path) -> None:
    """A version that is none, a budget of nothing and a draft of no builds are errors of gemel's, not Python's."""
    layout, builds = loaded()
    joined = gemel.join(layout, builds)
    for version in ("1.2", "a.b.c", "1.2.3+4", "1.2.70000.1", ""):
        with pytest.raises(gemel.GemelError, match="not a version"):
            gemel.join(layout, builds, version=version)
        with pytest.raises(gemel.GemelError, match="not a version"):
            gemel.check(layout, joined.image, builds, version=version)
    for budget in (0, -1):
        with pytest.raises(gemel.GemelError, match="at least 1"):
            gemel.rehearse(layout, joined.image, builds, budget=budget)
    with pytest.raises(gemel.GemelError, match="no build"):
        gemel.draft_layout({})


def test_version_and_counter_are_taken(demo: Path) -> None:
    """A version and a counter given to ``join`` are in the record, and ``check`` compares them."""
    layout, builds = loaded()
    joined = gemel.join(layout, builds, version="2.0.1", rollback=9)
    assert joined.record is not None
    assert (str(joined.record.version), joined.record.rollback) == ("2.0.1", 9)
    assert gemel.check(layout, joined.image, builds, version="2.0.1", rollback=9).passes
    other = gemel.check(layout, joined.image, builds, version="2.0.2", rollback=9)
    assert {found.rule.name for found in other.findings} == {"version-as-asked"}


def test_policy_narrows_the_layout(demo: Path) -> None:
    """``check`` takes the policy that ``load_policy`` reads: an image by a key that it does not trust fails."""
    from seal_keys import other_key

    layout, builds = loaded()
    ours, theirs = other_key(1), other_key(2)
    Path("pub.pem").write_bytes(ours.public_key.to_pem())
    Path("own.toml").write_text('format = 1\ntrust = ["pub.pem"]\n')
    policy = gemel.load_policy("own.toml")
    image = gemel.join(layout, builds).image
    assert gemel.check(layout, gemel.seal(layout, image, [ours]), policy=policy).passes
    other = gemel.seal(layout, image, [theirs])
    assert gemel.check(layout, other).passes
    assert not gemel.check(layout, other, policy=policy).passes
    with pytest.raises(gemel.GemelError):
        gemel.load_policy("tide-gauge.toml")


def test_counter_may_not_fall(demo: Path) -> None:
    """``previous`` and ``min_rollback`` refuse an older image."""
    layout, builds = loaded()
    old, new = (gemel.join(layout, builds, rollback=each).image for each in (3, 4))
    assert gemel.check(layout, new, previous=old, rollback=4, min_rollback=4).passes
    for result in (
        gemel.check(layout, old, previous=new, rollback=3),
        gemel.check(layout, old, min_rollback=4, rollback=3),
    ):
        assert [found.rule.name for found in result.findings] == ["rollback-not-lower"]


def test_every_form_of_report_names_the_rules(demo: Path) -> None:
    """Text, lines, page, JSON, SARIF and JUnit carry the same broken rules."""
    layout, builds = loaded()
    image = gemel.join(layout, builds).image
    image.data.write(0x1000_7FFC, bytes(4))
    result = gemel.check(layout, image, builds)
    broken = {found.rule.name for found in result.findings}
    assert broken
    for name in broken:
        assert all(name in text for text in (result.to_text(), result.to_lines()))
        assert f"<code>{name}</code>" in result.to_html()
    data = json.loads(result.to_json())
    assert {rule["name"] for rule in data["rules"] if rule["status"] == "broken"} == broken
    sarif = json.loads(result.to_sarif())
    failed = {each["ruleId"] for each in sarif["runs"][0]["results"] if each["kind"] == "fail"}
    assert failed == broken
    cases = ElementTree.fromstring(result.to_junit()).iter("testcase")
    assert {case.get("name") for case in cases if case.find("failure") is not None} == broken


def test_waivers_end_by_the_day_that_is_given(demo: Path) -> None:
    """``today`` decides whether a waiver still covers a finding; the finding stays visible."""
    waiver = '{ rule = "checksums-match", where = "station-crc", reason = "a test", until = 2027-06-30 }'
    text = Path("tide-gauge.toml").read_text() + f"\n[rules]\nwaive = [{waiver}]\n"
    Path("waived.toml").write_text(text)
    layout = gemel.load_layout("waived.toml")
    builds = gemel.load_builds(layout, {"station": "station.elf", "sampler": "sampler.elf"})
    image = gemel.join(layout, builds).image
    image.data.write(0x1000_7FFC, bytes(4))

    def open_rules(day: datetime.date) -> set[str]:
        found = gemel.check(layout, image, builds, today=day).findings
        return {each.rule.name for each in found if each.waiver is None}

    until = datetime.date(2027, 6, 30)
    assert "checksums-match" not in open_rules(until)
    assert "checksums-match" in open_rules(until + datetime.timedelta(days=1))


def test_images_are_written_all_or_none(demo: Path) -> None:
    """One path that cannot be written leaves every other as it was."""
    layout, builds = loaded()
    image = gemel.join(layout, builds).image
    Path("tide.hex").write_text("old")
    with pytest.raises(gemel.GemelError):
        gemel.write_images(image, "tide.hex", "no-folder/tide.bin", layout=layout)
    with pytest.raises(gemel.GemelError):
        gemel.write_images(image, "tide.hex", "tide.jpg", layout=layout)
    assert Path("tide.hex").read_text() == "old"
    gemel.write_images(image, "tide.hex", "tide.bin", "tide.srec", layout=layout)
    read = [gemel.read_image(f"tide.{suffix}", layout=layout) for suffix in ("hex", "srec", "bin")]
    assert read[0].data == read[1].data == image.data
    assert read[2].file == "tide.bin"
    assert gemel.read_image("tide.bin", at=image.data.spans()[0].start).data == read[2].data
    assert gemel.check(layout, read[2], builds).passes


def test_seal_leaves_the_given_image_alone(demo: Path) -> None:
    """``seal`` gives a sealed copy."""
    from seal_keys import key_for

    layout, builds = loaded()
    image = gemel.join(layout, builds).image
    before = image.data.copy()
    key = key_for("Ed25519")
    sealed = gemel.seal(layout, image, [key])
    assert image.data == before
    assert sealed.data != before
    assert gemel.check(layout, sealed, trusted=[key.public_key]).passes
    unsealed = gemel.check(layout, image, trusted=[key.public_key])
    assert unsealed.count("not checked") > 0


def test_describe_with_and_without_a_layout(demo: Path) -> None:
    """With a layout the memories are described, without one the file's pieces; builds need a layout."""
    layout, builds = loaded()
    image = gemel.join(layout, builds).image
    assert gemel.describe(image, layout, builds).memories[0].name == "flash"
    assert gemel.describe(image).pieces
    with pytest.raises(gemel.GemelError, match="layout"):
        gemel.describe(image, None, builds)


def test_draft_takes_builds_files_and_bytes(demo: Path) -> None:
    """A draft from builds, from files and from bytes is the same, and is a layout."""
    _, builds = loaded()
    text = gemel.draft_layout(builds)
    assert gemel.draft_layout({name: f"{name}.elf" for name in builds}) == text
    Path("drafted.toml").write_text(text)
    assert set(gemel.load_layout("drafted.toml").layout.builds) == set(builds)


def test_rehearsal_as_argument_and_by_itself(demo: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """``check`` takes a rehearsal that was made, makes one on request, and says when there is none."""
    layout, builds = loaded()
    image = gemel.join(layout, builds).image
    made = gemel.rehearse(layout, image, builds)
    assert made.passes

    def status(result: gemel.CheckResult) -> str:
        return next(each.status for each in result.results if each.rule.name == "rehearsal-passes")

    assert status(gemel.check(layout, image, builds, rehearsal=made)) == "holds"
    assert status(gemel.check(layout, image, builds, rehearsal=True)) == "holds"
    monkeypatch.delattr("gemel.rehearsal.session.run_isolated")
    assert gemel.rehearse(layout, image, builds, isolate=False) == made
    assert status(gemel.check(layout, image, builds)) == "not checked"


def test_bare_import_is_free() -> None:
    """``import gemel`` loads nothing else."""
    import subprocess
    import sys

    script = "import sys; before = set(sys.modules); import gemel; print(sorted(set(sys.modules) - before))"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    own = [name for name in eval(done.stdout) if name.startswith("gemel")]
    assert own == ["gemel"]
