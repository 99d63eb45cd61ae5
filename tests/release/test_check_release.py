"""``gemel check --release``: a folder is taken whole and untouched, and every change of it is found."""

from __future__ import annotations

import base64
import hashlib
import json
import os
from collections.abc import Callable
from pathlib import Path

import pytest
from in_process import run_here as run
from releases import ED25519, NO_KEYS, SEAL, Keys, broken, release_folder, released, write_device
from seal_keys import key_for, other_key
from small_device import station_elf

from gemel.errors import GemelError, UsageProblem
from gemel.files.folders import write_folder
from gemel.release.contents import MAX_FAULTS, SUMS, sums_text
from gemel.release.provenance import envelope_text, read_envelope, signed
from gemel.workflows.releasing.received import MAX_FILES, check_release
from gemel.workflows.trust import load_policy

STEM = "small-device-1.2.3"


def listed_again(out: Path) -> None:
    """Write SHA256SUMS anew, as an attacker does who changed a file."""
    (out / SUMS).unlink(missing_ok=True)
    files = {path.relative_to(out).as_posix(): path.read_bytes() for path in out.rglob("*") if path.is_file()}
    (out / SUMS).write_bytes(sums_text(files))


def edit(name: str, change: Callable[[bytes], bytes]) -> Callable[[Path], None]:
    """Change one file's bytes."""
    return lambda out: (out / name).write_bytes(change((out / name).read_bytes())) and None


def edit_json(name: str, change: Callable[[dict], object]) -> Callable[[Path], None]:
    """Change one JSON document."""

    def done(out: Path) -> None:
        data = json.loads((out / name).read_bytes())
        change(data)
        (out / name).write_text(json.dumps(data))

    return done


def edit_statement(change: Callable[[dict], object], keys: Keys = NO_KEYS) -> Callable[[Path], None]:
    """Change the provenance's statement, its signatures kept or made anew by ``keys``."""

    def done(out: Path) -> None:
        path = out / "provenance.json"
        envelope = json.loads(path.read_bytes())
        statement = json.loads(base64.b64decode(envelope["payload"]))
        change(statement)
        payload = json.dumps(statement).encode()
        if keys:
            path.write_bytes(envelope_text(signed(payload, keys.open())))
        else:
            envelope["payload"] = base64.b64encode(payload).decode()
            path.write_text(json.dumps(envelope))

    return done


def signed_by(*keys) -> Callable[[Path], None]:
    """Sign the provenance by other keys."""

    def done(out: Path) -> None:
        payload = read_envelope((out / "provenance.json").read_bytes(), "").payload
        (out / "provenance.json").write_bytes(envelope_text(signed(payload, keys)))

    return done


def subject(statement: dict, name: str) -> dict:
    """One subject's digest."""
    return next(each for each in statement["subject"] if each["name"] == name)["digest"]


LISTED, CONTENTS, AGREES, SIGNED, SBOM = (
    "release-files-as-listed",
    "release-contents-agree",
    "release-provenance-agrees",
    "release-provenance-signed",
    "release-sbom-agrees",
)

CARELESS: dict[str, tuple[Callable[[Path], object], str]] = {
    "a report changed": (edit("check.txt", lambda data: data + b"x"), LISTED),
    "a report lost": (lambda out: (out / "check.sarif").unlink(), LISTED),
    "a file added": (lambda out: (out / "notes.md").write_bytes(b""), LISTED),
    "a file added in a folder": (
        lambda out: (out / "keys").mkdir() or (out / "keys/x").write_bytes(b""),
        LISTED,
    ),
    "an empty folder added": (lambda out: (out / "more" / "still").mkdir(parents=True), LISTED),
    "a file in other letters": (lambda out: (out / "check.txt").rename(out / "Check.txt"), LISTED),
    "a link to a folder added": (lambda out: (out / "more").symlink_to("keys"), LISTED),
    "a hidden file added": (lambda out: (out / ".x").write_bytes(b""), LISTED),
    "a link in place of a file": (
        lambda out: (
            (out / "check.txt").rename(out.parent / "c") and (out / "check.txt").symlink_to(out.parent / "c")
        ),
        LISTED,
    ),
    "a line of the list lost": (edit(SUMS, lambda data: data.split(b"\n", 1)[1]), LISTED),
    "a line of the list twice": (edit(SUMS, lambda data: data + data.split(b"\n", 1)[0] + b"\n"), LISTED),
    "a line that is none": (edit(SUMS, lambda data: data + b"# comment\n"), LISTED),
    "the list lost": (lambda out: (out / SUMS).unlink(), LISTED),
    "the provenance lost": (lambda out: (out / "provenance.json").unlink(), LISTED),
    "the SBOM lost": (lambda out: (out / "sbom.cdx.json").unlink(), LISTED),
    "a line end in the layout": (edit("small.toml", lambda data: data + b"\n"), LISTED),
    "an image lost": (lambda out: (out / f"{STEM}.hex").unlink(), LISTED),
    "an image renamed": (lambda out: (out / f"{STEM}.hex").rename(out / "x.hex"), LISTED),
    "an image that is none": (edit(f"{STEM}.hex", lambda data: b":00"), LISTED),
    "a digit of an image changed": (edit(f"{STEM}.hex", lambda data: data.replace(b"0", b"1", 1)), LISTED),
    "an image cut": (edit(f"{STEM}.hex", lambda data: data[: len(data) // 2]), LISTED),
    "a whole-memory binary cut": (edit(f"{STEM}-flash.bin", lambda data: data[:5000]), LISTED),
}
"""What happens on the way; the list of digests shows it."""

CLEVER: dict[str, tuple[Callable[[Path], object], str]] = {
    "a report": (edit("check.txt", lambda data: data.replace(b"PASS", b"pass")), AGREES),
    "a file added": (lambda out: (out / "notes.md").write_bytes(b""), AGREES),
    "a second image": (
        lambda out: (out / "other.hex").write_bytes((out / f"{STEM}.hex").read_bytes()),
        CONTENTS,
    ),
    "a report of another image": (
        edit_json("check.json", lambda data: data["identity"]["image"].update(sha256="0" * 64)),
        CONTENTS,
    ),
    "a report that did not pass": (edit_json("check.json", lambda data: data.update(passes=False)), CONTENTS),
    "another version": (edit_json("release.json", lambda data: data.update(version="9.9.9")), CONTENTS),
    "another product": (edit_json("release.json", lambda data: data.update(product="other")), CONTENTS),
    "another counter": (edit_json("release.json", lambda data: data.update(rollback=99)), CONTENTS),
    "another build id": (
        edit_json("release.json", lambda data: data["builds"][0].update(build_id="00" * 20)),
        CONTENTS,
    ),
    "no seal": (edit_json("release.json", lambda data: data.update(sealed=False)), CONTENTS),
    "another key's fingerprint": (
        edit_json("release.json", lambda data: data["keys"][0].update(fingerprint="00" * 32)),
        CONTENTS,
    ),
    "another key": (edit("release.pem", lambda data: other_key(5).public_key.to_pem()), CONTENTS),
    "a build less": (edit_json("release.json", lambda data: data["builds"].pop()), CONTENTS),
    "the SBOM's digest of a build": (
        edit_json("sbom.cdx.json", lambda data: _build(data)["hashes"][0].update(content="0" * 64)),
        SBOM,
    ),
    "the SBOM's build id": (
        edit_json(
            "sbom.cdx.json",
            lambda data: [
                each.update(value="00") for each in _build(data)["properties"] if "build-id" in each["name"]
            ],
        ),
        SBOM,
    ),
    "a build less in the SBOM": (
        edit_json("sbom.cdx.json", lambda data: data["components"].remove(_build(data))),
        SBOM,
    ),
    "a build more in the SBOM": (
        edit_json(
            "sbom.cdx.json",
            lambda data: data["components"].append({**_build(data), "bom-ref": "build:third"}),
        ),
        SBOM,
    ),
    "another subject of the SBOM": (
        edit_json("sbom.cdx.json", lambda data: data["metadata"]["component"].update(version="0.0.1")),
        SBOM,
    ),
    "another image of the SBOM": (
        edit_json(
            "sbom.cdx.json", lambda data: data["metadata"]["component"]["hashes"][0].update(content="1" * 64)
        ),
        SBOM,
    ),
    "an SBOM of another kind": (
        edit_json("sbom.cdx.json", lambda data: data.update(bomFormat="other")),
        SBOM,
    ),
    "an SBOM that is none": (edit("sbom.cdx.json", lambda data: b"[" * 100_000), SBOM),
    "a signature": (
        edit_json(
            "provenance.json",
            lambda data: data["signatures"][0].update(sig=base64.b64encode(bytes(64)).decode()),
        ),
        SIGNED,
    ),
    "no signature": (edit_json("provenance.json", lambda data: data["signatures"].clear()), SIGNED),
    "another signer": (signed_by(other_key(7)), SIGNED),
    "the payload's type": (
        edit_json("provenance.json", lambda data: data.update(payloadType="text/plain")),
        SIGNED,
    ),
    "an envelope that is none": (edit("provenance.json", lambda data: b"{}"), SIGNED),
    "the statement": (
        edit_statement(lambda data: data["predicate"]["runDetails"]["builder"].update(id="urn:x")),
        SIGNED,
    ),
    "another image's bytes": (
        edit(f"{STEM}-flash.bin", lambda data: data[:0x40] + b"\0" + data[0x41:]),
        "written-files-read-back",
    ),
}
"""What somebody does who writes SHA256SUMS anew, with the rule that finds it whatever else does."""

INSIDER: dict[str, tuple[Callable[[Path], object], str]] = {
    "a subject": (
        edit_statement(lambda data: subject(data, "check.txt").update(sha256="0" * 64), ED25519),
        AGREES,
    ),
    "a subject less": (edit_statement(lambda data: data["subject"].pop(0), ED25519), AGREES),
    "a subject more": (
        edit_statement(
            lambda data: data["subject"].append({"name": "x", "digest": {"sha256": "0" * 64}}), ED25519
        ),
        AGREES,
    ),
    "a subject twice": (
        edit_statement(lambda data: data["subject"].append(data["subject"][0]), ED25519),
        AGREES,
    ),
    "another build": (
        edit_statement(lambda data: _dependency(data, 1)["digest"].update(sha256="0" * 64), ED25519),
        AGREES,
    ),
    "another layout": (
        edit_statement(lambda data: _dependency(data, 0)["digest"].update(sha256="0" * 64), ED25519),
        AGREES,
    ),
    "a build id": (
        edit_statement(lambda data: _dependency(data, 1)["annotations"].update(buildId="00"), ED25519),
        AGREES,
    ),
    "a build less": (edit_statement(lambda data: _dependencies(data).pop(1), ED25519), AGREES),
    "the version": (edit_statement(lambda data: _parameters(data).update(version="9.9.9"), ED25519), AGREES),
    "the counter": (edit_statement(lambda data: _parameters(data).update(rollback=1), ED25519), AGREES),
    "the layout's digest": (
        edit_statement(lambda data: _parameters(data).update(layoutDigest="00"), ED25519),
        AGREES,
    ),
    "another predicate": (edit_statement(lambda data: data.update(predicateType="x"), ED25519), AGREES),
}
"""Provenance that is signed by the right key and wrong."""


def _build(data: dict) -> dict:
    return next(each for each in data["components"] if each["bom-ref"] == "build:station")


def _dependencies(data: dict) -> list:
    return data["predicate"]["buildDefinition"]["resolvedDependencies"]


def _dependency(data: dict, index: int) -> dict:
    return _dependencies(data)[index]


def _parameters(data: dict) -> dict:
    return data["predicate"]["buildDefinition"]["externalParameters"]


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> dict[str, bytes]:
    """The files of a sealed release."""
    return dict(released(write_device(tmp_path_factory.mktemp("device"))).files)


@pytest.fixture
def out(made, tmp_path) -> Path:
    """That release as a folder."""
    write_folder(tmp_path / "out", {name: [data] for name, data in made.items()})
    return tmp_path / "out"


def test_a_folder_as_it_was_made_passes(out):
    """Every rule about the folder holds, with the keys that the layout names and with --trust."""
    for trust in ([], [out / "release.pem"]):
        result = check_release(out, trust=trust)
        assert result.passes, result.to_text()
        states = {
            each.rule.name: each.status for each in result.results if each.rule.name.startswith("release-")
        }
        assert {states[name] for name in (LISTED, CONTENTS, AGREES, SIGNED, SBOM)} == {"holds"}


def test_the_folder_is_in_the_identity(out, monkeypatch):
    """Every form names the folder, by its own name too, and the digest of its list; of the image alone none does."""
    monkeypatch.chdir(out)
    result = check_release(Path("."))
    digest = hashlib.sha256((out / SUMS).read_bytes()).hexdigest()
    for form in ("text", "json", "sarif", "junit", "html"):
        text = result.rendered(form, width=200)
        assert digest in text, form
        assert f'"name": "{out.name}"' in text or f"{out.name}, SHA256SUMS" in text, form
    (out / SUMS).unlink()
    assert f"{out.name}, no SHA256SUMS" in check_release(out).to_text()


@pytest.mark.parametrize("case", CARELESS)
def test_what_happens_on_the_way_is_found(case, out):
    """The list of digests shows it."""
    change, rule = CARELESS[case]
    change(out)
    assert rule in broken(check_release(out))


@pytest.mark.parametrize("case", CLEVER)
def test_what_is_changed_together_with_the_list_is_found(case, out):
    """Documents are compared with each other, with the record and with the signatures."""
    change, rule = CLEVER[case]
    change(out)
    listed_again(out)
    found = broken(check_release(out))
    assert rule in found
    assert LISTED not in found


@pytest.mark.parametrize("case", INSIDER)
def test_provenance_that_is_signed_and_wrong_is_found(case, out):
    """A good signature does not make a statement true."""
    change, rule = INSIDER[case]
    change(out)
    listed_again(out)
    assert broken(check_release(out)) == [rule]


@pytest.mark.parametrize("name", ["check.txt", f"{STEM}.hex", f"{STEM}-flash.bin", "small.toml"])
def test_one_changed_file_is_one_finding(out, name):
    """What provenance, contents, other readers and the image's rules say of it follows from the list of digests."""
    data = (out / name).read_bytes()
    changed = {".hex": b":0100000058A7\n" + data, ".toml": data + b"# kept\n"}
    (out / name).write_bytes(changed.get(Path(name).suffix, data[:-1] + b"\x5a"))
    result = check_release(out)
    assert broken(result) == [LISTED]
    assert len(result.findings) == 1
    assert "gemel's" not in result.to_text()


@pytest.mark.parametrize("suffix", [".hex", "-flash.bin"])
def test_an_image_that_is_not_as_listed_is_one_finding(suffix, out):
    """Changed, cut or lost: what record, documents and other readers say follows from the list of digests."""
    path = out / f"{STEM}{suffix}"
    good = path.read_bytes()
    for changed in (good.replace(b"1", b"2", 1), good[: len(good) // 2], None):
        path.unlink()
        if changed is not None:
            path.write_bytes(changed)
        result = check_release(out)
        assert [(rule.name, finding.where) for rule, _, finding, _ in result.findings] == [
            (LISTED, path.name)
        ]
        path.write_bytes(good)


def test_a_layout_that_is_not_as_listed_is_one_finding(out):
    """That the image was joined with another layout follows from it; a further file that is wrong does not."""
    edit("small.toml", lambda data: data.replace(b"rollback = 7", b"rollback = 8"))(out)
    (out / "check.txt").write_bytes(b"")
    result = check_release(out)
    assert [(rule.name, finding.where) for rule, _, finding, _ in result.findings] == [
        (LISTED, "check.txt"),
        (LISTED, "small.toml"),
    ]


def test_the_image_exchanged_by_another_release(out, tmp_path):
    """The image of another version, sealed by the same key and listed: the signed provenance shows it, and says all."""
    other = write_device(tmp_path / "other")
    files = released(other, version="1.2.2").files
    for suffix in (".hex", "-flash.bin"):
        (out / f"{STEM}{suffix}").write_bytes(files[f"small-device-1.2.2{suffix}"])
    listed_again(out)
    result = check_release(out)
    assert broken(result) == [AGREES]
    led_to = "\n".join(line for _, _, finding, _ in result.findings for line in finding.lines)
    assert CONTENTS in led_to
    assert SBOM in led_to
    assert "fault is gemel's" not in result.to_text()


def test_provenance_that_nobody_signed_explains_nothing(out, tmp_path):
    """One whose signature does not hold is no witness against the image: each document is reported by itself."""
    edit_statement(lambda statement: statement["subject"][0]["digest"].update(sha256=64 * "0"))(out)
    edit_json("release.json", lambda data: data.update(rollback=9))(out)
    listed_again(out)
    assert {AGREES, SIGNED, CONTENTS} <= set(broken(check_release(out)))


def test_whose_keys_these_are_is_not_known_without_trust(tmp_path):
    """A layout that trusts nobody: the folder fits together, and that is all that is said."""
    out = release_folder(tmp_path, add='\n[seal]\narea = "seal"\n')
    result = check_release(out)
    found = next(each for each in result.results if each.rule.name == SIGNED)
    assert (result.passes, found.status) == (True, "not checked")
    assert any("--trust" in each.reason for each in found.not_checked)
    key = next(iter((out / "keys").iterdir()))
    assert (
        next(each for each in check_release(out, trust=[key]).results if each.rule.name == SIGNED).status
        == "holds"
    )


def test_a_whole_folder_by_somebody_else_is_refused_by_trust(tmp_path):
    """Made, signed and listed by another key: with --trust and with a policy nothing of it is taken."""
    out = release_folder(tmp_path, Keys(other_key(9)), add='\n[seal]\narea = "seal"\n')
    key = tmp_path / "ours.pem"
    key.write_bytes(key_for("Ed25519").public_key.to_pem())
    policy = tmp_path / "policy.toml"
    policy.write_text('format = 1\ntrust = ["ours.pem"]\n')
    for found in (check_release(out, trust=[key]), check_release(out, policy=load_policy(policy))):
        assert broken(found) == ["seal-by-trusted-key"]
        assert any(SIGNED in line for _, _, finding, _ in found.findings for line in finding.lines)


def test_a_release_without_a_seal(tmp_path):
    """It passes where nobody demands one, and says that nobody signed; a policy refuses it."""
    out = release_folder(tmp_path, NO_KEYS, add='\n[seal]\narea = "seal"\n')
    result = check_release(out)
    assert result.passes
    assert next(each for each in result.results if each.rule.name == SIGNED).status == "not checked"
    key = tmp_path / "ours.pem"
    key.write_bytes(key_for("Ed25519").public_key.to_pem())
    assert broken(check_release(out, trust=[key])) == ["seal-present"]


@pytest.mark.parametrize(
    "names", [("Ed25519", "ECDSA-P256"), ("ECDSA-P384",), ("RSA-3072-PSS",)], ids="+".join
)
def test_every_signer_of_the_image_signs_the_provenance(names, tmp_path):
    """One, two, of each kind; with a signature taken away the key is named."""
    out = release_folder(tmp_path, Keys(*(key_for(name) for name in names)), add='\n[seal]\narea = "seal"\n')
    keys = sorted((out / "keys").iterdir())
    result = check_release(out, trust=keys)
    assert result.passes, result.to_text()
    edit_json("provenance.json", lambda data: data["signatures"].pop(0))(out)
    listed_again(out)
    assert broken(check_release(out, trust=keys)) == [SIGNED]


def test_given_builds_are_compared(out, tmp_path):
    """The right ELF file is in SBOM and image; another one is neither."""
    build = tmp_path / "station.elf"
    build.write_bytes(station_elf())
    result = check_release(out, [f"station={build}"])
    assert result.passes
    assert next(each for each in result.results if each.rule.name == "builds-read-back").status == "holds"
    build.write_bytes(station_elf(code=bytes(range(2, 130))))
    assert broken(check_release(out, [f"station={build}"])) == ["image-equals-builds", SBOM]


HOSTILE: dict[str, Callable[[Path], object]] = {
    "a layout elsewhere": edit_json("release.json", lambda data: data.update(layout="../small.toml")),
    "an image elsewhere": edit_json(
        "release.json", lambda data: data["images"][0].update(file="/etc/passwd")
    ),
    "all images elsewhere": edit_json(
        "release.json", lambda data: [each.update(file="/etc/passwd") for each in data["images"]]
    ),
    "all images lost": lambda out: [each.unlink() for each in out.glob(f"{STEM}*")],
    "the layout lost": lambda out: (out / "small.toml").unlink(),
    "no image": edit_json("release.json", lambda data: data["images"].clear()),
    "an image of no format": edit_json(
        "release.json", lambda data: data["images"][1].update(file="check.txt")
    ),
    "a key that is none": edit("release.pem", lambda data: b"no key"),
    "a layout that is none": edit("small.toml", lambda data: b"\xff"),
    "images that are none": lambda out: (
        [each.write_bytes(b":00") for each in out.glob(f"{STEM}*.hex")]
        + [each.write_bytes(b"") for each in out.glob(f"{STEM}*.bin")]
    ),
    "no contents": lambda out: (out / "release.json").unlink(),
    "contents of another kind": edit("release.json", lambda data: b'{"format": 1}'),
    "too many files": lambda out: [(out / f"x{number}").write_bytes(b"") for number in range(MAX_FILES + 1)],
}


@pytest.mark.parametrize("case", HOSTILE)
def test_hostile_folders_end_in_words(case, out):
    """A problem in words, never a traceback, and no file outside the folder is read."""
    HOSTILE[case](out)
    with pytest.raises(GemelError):
        check_release(out)


@pytest.mark.parametrize("data", [b"\xff", b"format = \n", b"format = 1\nproduct = 1\n"])
def test_a_layout_that_cannot_be_read_is_not_the_one_released(data, out):
    """That the list has another file there is the cause, and said in place of what is wrong in it."""
    edit("small.toml", lambda _: data)(out)
    with pytest.raises(GemelError) as caught:
        check_release(out)
    (problem,) = caught.value.problems
    assert problem.what == "small.toml is not the file that SHA256SUMS lists"
    assert problem.found == hashlib.sha256(data).hexdigest()
    listed_again(out)
    with pytest.raises(GemelError) as caught:
        check_release(out)
    assert not any("SHA256SUMS" in problem.what for problem in caught.value.problems)


def test_images_that_cannot_be_read_are_not_those_released(out):
    """Each is named, by the list of digests."""
    for each in out.glob(f"{STEM}*"):
        each.write_bytes(b":00" if each.suffix == ".hex" else b"")
    with pytest.raises(GemelError) as caught:
        check_release(out)
    assert {problem.what for problem in caught.value.problems} == {
        f"{each.name} is not the file that SHA256SUMS lists" for each in out.glob(f"{STEM}*")
    }


def test_unknown_memories_and_pipes(out):
    """A memory that the layout does not have is a finding; a pipe in the folder is one and is not opened."""
    edit_json("release.json", lambda data: data["images"][1].update(memory="other"))(out)
    if hasattr(os, "mkfifo"):
        os.mkfifo(out / "pipe")
    found = broken(check_release(out))
    assert {"written-files-read-back", LISTED} <= set(found)


def test_no_folder_is_said_so(tmp_path):
    """A file, or nothing."""
    with pytest.raises(UsageProblem, match="not a release folder"):
        check_release(tmp_path / "none")


def test_the_command_says_what_it_has_no_use_for(out):
    """Words that are no builds, options of an image, and reports inside the folder are refused."""
    folder = out.parent
    assert run("check", "--release", "out", "--report", "found.json", cwd=folder).returncode == 0
    assert json.loads((folder / "found.json").read_bytes())["passes"] is True
    for name in ("layout.toml", "x.hex"):
        (folder / name).touch()
    for words in (("layout.toml",), ("--from-device",), ("--at", "0"), ("--report", "out/x.json")):
        done = run("check", "--release", "out", *words, cwd=folder)
        assert (done.returncode, done.stderr.count("error: ")) == (2, 1), done.stderr


def test_a_folder_is_held_to_what_is_asked_of_its_image(out):
    """--version, --rollback, --at-least and --previous judge the image of the folder as they do any other."""
    folder = out.parent
    image = next(path for path in out.iterdir() if path.suffix == ".hex")
    (folder / "before.hex").write_bytes(image.read_bytes())
    record = check_release(out).inspection.record
    version, counter = record.version, str(record.rollback)
    for words, code in (
        (("--previous", "before.hex"), 0),
        (("--version", version, "--rollback", counter), 0),
        (("--version", "9.9.9"), 1),
        (("--rollback", str(record.rollback + 1)), 1),
        (("--at-least", str(record.rollback + 1)), 1),
        (("--previous", "none.hex"), 2),
    ):
        done = run("check", "--release", "out", *words, cwd=folder)
        assert done.returncode == code, (words, done.stdout, done.stderr)


def test_keys_that_came_with_the_folder_are_said_to_prove_no_owner(out):
    """The attack: a folder of somebody else's, with their own key in it, passes by that key; a remark says so."""
    key = next((out / "keys").iterdir(), None) if (out / "keys").is_dir() else out / "release.pem"
    (out.parent / "ours.pem").write_bytes(key.read_bytes())
    for words, said in ((), True), (("--trust", "ours.pem"), False):
        done = run("check", "--release", "out", *words, cwd=out.parent)
        assert (done.returncode, "the keys came with the folder" in done.stderr) == (0, said)


def test_a_waiver_in_the_layout_opens_nothing(tmp_path):
    """The rules about a folder are none of the layout's: it cannot name them."""
    waiver = '\n[[rules.waive]]\nrule = "release-sbom-agrees"\nwhere = "layout"\nreason = "x"\nuntil = 2099-01-01\n'
    with pytest.raises(GemelError, match="unknown rule"):
        released(write_device(tmp_path, SEAL + waiver))


def test_a_huge_file_is_not_read(out):
    """A sparse file of a terabyte, as an attacker makes it in a moment: refused by its size."""
    with (out / "check.txt").open("r+b") as file:
        file.truncate(1 << 40)
    with pytest.raises(GemelError, match="too large"):
        check_release(out)


@pytest.mark.parametrize(("line", "counted"), [("", "more lines"), (f"{0:064x}  f%d", "more like this")])
def test_what_is_wrong_with_a_list_is_bounded(line, counted, out):
    """The attack: a list of a million empty lines took a minute and gigabytes; names of no files were all printed."""
    many = 50 * MAX_FAULTS
    (out / SUMS).write_text("".join(f"{line % n if line else line}\n" for n in range(many)), encoding="utf-8")
    result = check_release(out)
    (listed,) = (each for each in result.results if each.rule.name == LISTED)
    findings = listed.findings
    assert MAX_FAULTS <= len(findings) <= MAX_FAULTS + 20
    assert counted in "".join(f"{each.finding.found} {each.finding.lines}" for each in findings)
