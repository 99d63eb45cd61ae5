"""VEX documents in a release: byte for byte, listed, and compared with the SBOM; anything else is refused."""

from __future__ import annotations

import json

import pytest
from cyclonedx.schema import SchemaVersion
from cyclonedx.validation.json import JsonStrictValidator
from release.test_check_release import AGREES, LISTED, listed_again
from releases import released, write_device
from team_documents import CSAF, CYCLONEDX, OPENVEX, TEAM

from gemel.errors import UsageProblem
from gemel.files.folders import write_folder
from gemel.release.provenance import read_envelope
from gemel.release.received.documents import MAX_REFS, MAX_REFS_IN_ALL
from gemel.release.vex import read_vex, refs_in, unknown_refs
from gemel.workflows.releasing.received import check_release

SOUND = {
    "CycloneDX": CYCLONEDX,
    "CycloneDX without a vulnerability": {**CYCLONEDX, "vulnerabilities": []},
    "CycloneDX with no component named": {**CYCLONEDX, "vulnerabilities": [{"id": "CVE-2030-0003"}]},
    "OpenVEX": OPENVEX,
    "OpenVEX of the first version": {
        "@context": "https://openvex.dev/ns",
        "statements": [{"vulnerability": "CVE-2030-0001", "status": "affected"}],
    },
    "CSAF": CSAF,
    "CSAF advisory": {**CSAF, "document": {**CSAF["document"], "category": "csaf_security_advisory"}},
}


def test_the_example_is_valid_cyclonedx():
    """The example of this file is valid by the schema of CycloneDX 1.6 that its own library brings."""
    assert JsonStrictValidator(SchemaVersion.V1_6).validate_str(json.dumps(CYCLONEDX)) is None


@pytest.mark.parametrize("name", SOUND)
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig"])
def test_every_form_is_taken(name, encoding):
    """Each form by its own marks, with a byte order mark too."""
    assert read_vex(json.dumps(SOUND[name]).encode(encoding), "x").form == name.split()[0]


WRONG = {
    "no JSON": b"<html>",
    "nothing": b"",
    "no text": b"\xff\xfe\xfd",
    "nested without end": b"[" * 100_000,
    "a list": b"[]",
    "a number": b"7",
    "other JSON": b'{"a": 1}',
    "an SBOM": json.dumps(TEAM).encode(),
    "vulnerabilities that are no list": b'{"bomFormat": "CycloneDX", "vulnerabilities": {}}',
    "a vulnerability that is no object": b'{"bomFormat": "CycloneDX", "vulnerabilities": [1]}',
    "affects without ref": b'{"bomFormat": "CycloneDX", "vulnerabilities": [{"affects": [{}]}]}',
    "affects that is no list": b'{"bomFormat": "CycloneDX", "vulnerabilities": [{"affects": 7}]}',
    "another state": b'{"bomFormat": "CycloneDX", "vulnerabilities": [{"analysis": {"state": "fine"}}]}',
    "OpenVEX without statements": b'{"@context": "https://openvex.dev/ns", "statements": []}',
    "OpenVEX with another status": json.dumps(
        {**OPENVEX, "statements": [{"vulnerability": "x", "status": "ok"}]}
    ).encode(),
    "OpenVEX of nothing": json.dumps({**OPENVEX, "statements": [{"status": "fixed"}]}).encode(),
    "CSAF of another category": b'{"document": {"csaf_version": "2.0", "category": "csaf_base"}}',
    "CSAF without vulnerabilities": json.dumps({**CSAF, "vulnerabilities": []}).encode(),
    "CSAF without status": json.dumps({**CSAF, "vulnerabilities": [{"cve": "x"}]}).encode(),
}


@pytest.mark.parametrize("name", WRONG)
def test_anything_else_is_refused(name, tmp_path):
    """With the file, what it is, and what was expected; a release with it is not made."""
    with pytest.raises(UsageProblem) as raised:
        read_vex(WRONG[name], "--vex team.json")
    problem = raised.value.problems[0]
    assert (problem.what, problem.where) == ("not a VEX document", "--vex team.json")
    assert problem.found
    assert "OpenVEX" in problem.expected


def given(folder, **documents):
    """The files of VEX documents, written as JSON."""
    for name, data in documents.items():
        (folder / f"{name}.json").write_text(json.dumps(data, indent=3))
    return [folder / f"{name}.json" for name in documents]


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A release with a team's SBOM and all forms of VEX."""
    device = write_device(tmp_path_factory.mktemp("device"))
    (device / "team.json").write_text(json.dumps(TEAM))
    vex = given(device, cyclonedx=CYCLONEDX, openvex=OPENVEX, csaf=CSAF)
    return released(device, vex=vex, sboms=[f"sampler={device / 'team.json'}"]), vex


@pytest.fixture
def out(made, tmp_path):
    """That release as a folder."""
    write_folder(tmp_path / "out", {name: [data] for name, data in made[0].files.items()})
    return tmp_path / "out"


def test_a_release_carries_them_byte_for_byte(made):
    """In vex/, in the list of digests, and in the provenance as materials and subjects; all references are found."""
    files = made[0].files
    statement = json.loads(read_envelope(files["provenance.json"], "").payload)
    subjects = {each["name"] for each in statement["subject"]}
    roles = {each["name"] for each in statement["predicate"]["buildDefinition"]["resolvedDependencies"]}
    for number, path in enumerate(made[1], 1):
        name = f"vex/{path.name}"
        assert files[name] == path.read_bytes()
        assert name in files["SHA256SUMS"].decode()
        assert name in subjects
        assert f"vex {number}" in roles
    assert [each["form"] for each in json.loads(files["release.json"])["vex"]] == [
        "CycloneDX",
        "OpenVEX",
        "CSAF",
    ]
    assert made[0].remarks == []


def test_purl_and_cpe_of_components_are_kept(made):
    """The SBOM names them as the team did, so that advisories can be looked up."""
    parts = json.loads(made[0].files["sbom.cdx.json"])["components"]
    part = next(each for each in parts if each["name"] == "tidemath")
    assert (part["purl"], part["cpe"]) == (TEAM["components"][0]["purl"], TEAM["components"][0]["cpe"])


def state(result) -> str:
    """How the rule on VEX ended."""
    return next(each.status for each in result.results if each.rule.name == "release-vex-agrees")


def test_the_receiver_checks_them(out):
    """The rule holds for a folder as it was made."""
    result = check_release(out)
    assert result.passes, result.to_text()
    assert state(result) == "holds"


def test_without_any_the_rule_does_not_apply(tmp_path):
    """A release without VEX."""
    files = released(write_device(tmp_path / "device")).files
    write_folder(tmp_path / "out", {name: [data] for name, data in files.items()})
    assert state(check_release(tmp_path / "out")) == "does not apply"


@pytest.mark.parametrize(
    ("change", "rules"),
    [
        (lambda file: file.write_bytes(b"{}"), {AGREES, "release-vex-agrees"}),
        (
            lambda file: file.write_text(json.dumps({**CYCLONEDX, "version": 2})),
            {AGREES, "release-vex-agrees"},
        ),
        (lambda file: file.unlink(), {AGREES, "release-contents-agree", "release-vex-agrees"}),
        (
            lambda file: file.with_name("more.json").write_text(json.dumps(CYCLONEDX)),
            {AGREES, "release-contents-agree"},
        ),
    ],
)
def test_a_changed_document_is_found(out, change, rules):
    """By the list of digests, and where that was written anew by provenance and contents."""
    file = out / "vex" / "cyclonedx.json"
    change(file)
    broken = {each.rule.name for each in check_release(out).results if each.status == "broken"}
    assert LISTED in broken
    listed_again(out)
    broken = {each.rule.name for each in check_release(out).results if each.status == "broken"}
    assert LISTED not in broken
    assert rules <= broken


def test_a_reference_to_no_component_is_said(tmp_path):
    """Without the team's SBOM: a remark at release, and not checked at the receiver's; it breaks nothing."""
    device = write_device(tmp_path / "device")
    made = released(device, vex=given(device, team=CYCLONEDX))
    assert {each.found for each in made.remarks} == {
        "tm",
        "urn:cdx:3e671687-395b-41f5-a30f-a58921a69b79/1#tm",
        "pkg:generic/tidemath@1.0.3",
    }
    write_folder(tmp_path / "out", {name: [data] for name, data in made.files.items()})
    result = check_release(tmp_path / "out")
    assert (result.passes, state(result)) == (True, "not checked")


@pytest.mark.parametrize(("count", "named", "last"), [(20, 20, "r19"), (21, 20, "r19, and 1 more")])
def test_references_to_no_component_are_bounded(tmp_path, count, named, last):
    """A document of 1 MB refers to 50,000: the first ones are named, and how many more there are."""
    device = write_device(tmp_path / "device")
    affects = [{"ref": f"r{number}"} for number in range(count)]
    document = {**CYCLONEDX, "vulnerabilities": [{"id": "CVE-2024-1", "affects": affects}]}
    (device / "vex.json").write_text(json.dumps(document))
    made = released(device, vex=[device / "vex.json"])
    assert len(made.remarks) == named == MAX_REFS
    assert made.remarks[-1].found == last


def test_references_of_many_documents_are_bounded_together(tmp_path):
    """The attack: 900 documents with 20 each printed 2 MB of remarks; once 200 are named, each names its first."""
    device = write_device(tmp_path / "device")
    affects = [{"ref": f"r{number}"} for number in range(MAX_REFS)]
    document = json.dumps({**CYCLONEDX, "vulnerabilities": [{"id": "CVE-2024-1", "affects": affects}]})
    files = [device / f"v{number:02}.json" for number in range(MAX_REFS_IN_ALL // MAX_REFS + 2)]
    for file in files:
        file.write_text(document)
    made = released(device, vex=files)
    assert len(made.remarks) == MAX_REFS_IN_ALL + 2
    assert made.remarks[-1].found == f"r0, and {MAX_REFS - 1} more"


def test_components_of_its_own_and_nested_ones_are_found():
    """A VEX that brings its components, and an SBOM whose component is inside of another."""
    own = {**CYCLONEDX, "components": [{"bom-ref": "tm"}]}
    assert "tm" not in read_vex(json.dumps(own).encode(), "").refs
    nested = {"components": [{"bom-ref": "a", "components": [{"bom-ref": "sbom2:tm"}]}]}
    vex = read_vex(json.dumps(CYCLONEDX).encode(), "")
    assert unknown_refs(vex, refs_in(json.dumps(nested).encode())) == [
        "pkg:generic/tidemath@1.0.3",
        "build:station",
    ]


def test_a_huge_document_is_refused(tmp_path):
    """A sparse file of a terabyte: its size is the answer, for --vex and --sbom."""
    device = write_device(tmp_path / "device")
    huge = tmp_path / "huge.json"
    with huge.open("wb") as file:
        file.truncate(1 << 40)
    for asked in ({"vex": [huge]}, {"sboms": [str(huge)]}):
        with pytest.raises(UsageProblem, match="too large"):
            released(device, **asked)


def test_two_of_one_name_are_refused(tmp_path):
    """From two folders, in another case too; with a name that cannot be in a folder all are reported."""
    device = write_device(tmp_path / "device")
    (tmp_path / "b").mkdir()
    odd = tmp_path / "b" / "a:b.json"
    odd.write_text(json.dumps(OPENVEX))
    paths = [*given(device, team=OPENVEX), *given(tmp_path / "b", TEAM=OPENVEX), odd, device / "none.json"]
    with pytest.raises(UsageProblem) as raised:
        released(device, vex=paths)
    found = [each.found for each in raised.value.problems]
    assert found == ["TEAM.json", "a:b.json", "No such file or directory"]
