"""``gemel release``: the folder whole or not at all, what is in it, and when it is not made."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys

import pytest
from in_process import run_here as run
from releases import ED25519, NO_KEYS, SEAL, Keys, broken, release_folder, released, request, write_device
from runs import environment
from seal_keys import key_for, other_key
from small_device import station_elf

import gemel
from gemel.errors import ExtraMissing, OutputError, UsageProblem
from gemel.files.folders import write_folder
from gemel.release.contents import SUMS, ReleaseContents, is_safe_name, read_contents, read_sums, stem_of
from gemel.workflows.releasing.release import make_release

STEM = "small-device-1.2.3"


def test_the_folder_holds_what_is_shipped(tmp_path):
    """Images in the chosen formats, the whole memory, layout, key, reports, SBOM, provenance, list and digests."""
    out = release_folder(tmp_path, formats=["hex", "srec", "bin"])
    names = {path.relative_to(out).as_posix() for path in out.rglob("*") if path.is_file()}
    images = {f"{STEM}{suffix}" for suffix in (".hex", ".srec", ".bin", "-flash.bin")}
    reports = {name for name in names if name.startswith("check.")}
    documents = {"sbom.cdx.json", "provenance.json", "release.json", "SHA256SUMS"}
    assert names == images | reports | documents | {"small.toml", "release.pem"}
    assert {"check.txt", "check.json", "check.sarif"} <= reports
    read = gemel.load_layout(out / "small.toml")
    assert json.loads((out / "release.json").read_text())["layout_sha256"] == read.digest.hex()
    assert len((out / f"{STEM}-flash.bin").read_bytes()) == 16 << 10


def test_sha256sum_takes_the_list(tmp_path):
    """`sha256sum -c` (GNU coreutils) finds every file as listed, and every file but the list itself is in it."""
    out = release_folder(tmp_path)
    done = subprocess.run(
        ["sha256sum", "--strict", "-c", SUMS], cwd=out, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    files = [path for path in out.rglob("*") if path.is_file()]
    assert len(done.stdout.splitlines()) == len(files) - 1


def test_two_runs_in_two_folders_give_the_same_bytes(tmp_path):
    """With signatures that are not random every file is the same, whatever folder, mode, order of keys and formats."""
    keys = Keys(key_for("Ed25519"), key_for("ECDSA-P256"))
    turned = Keys(key_for("ECDSA-P256"), key_for("Ed25519"))
    add = '\n[seal]\narea = "seal"\n'
    one = released(write_device(tmp_path / "one", add), keys, formats=["hex", "bin"])
    two = released(write_device(tmp_path / "elsewhere" / "two", add), turned, formats=["bin", "hex", "bin"])
    assert one.files
    assert one.files == two.files


def test_with_random_signatures_only_what_holds_them_differs(tmp_path):
    """ML-DSA signs otherwise each time: image, digests and provenance differ, layout, keys and builds' facts do not."""
    add, keys = '\n[seal]\narea = "seal"\n', Keys(key_for("ML-DSA-65"))
    sizes = {'offset = "11 KiB", size = "1 KiB"': 'offset = "11 KiB", size = "5 KiB"'}
    device = write_device(tmp_path, add, sizes)
    one, two = released(device, keys).files, released(device, keys).files
    assert set(one) == set(two)
    same = {name for name in one if one[name] == two[name]}
    assert {"small.toml", "release.json"} <= same
    assert f"{STEM}.hex" not in same


def test_no_folder_user_or_host_is_in_it(tmp_path):
    """No file names where it was made."""
    out = release_folder(tmp_path)
    for path in out.rglob("*"):
        if path.is_file():
            assert str(tmp_path).encode() not in path.read_bytes(), path.name


def test_an_image_that_breaks_a_rule_is_not_released(tmp_path):
    """A vector outside the build: findings, and no file."""
    device = write_device(tmp_path)
    (device / "station.elf").write_bytes(station_elf(words={1: 0x2000_0001}))
    made = released(device)
    assert broken(made.check)
    assert made.files == {}


def test_a_warning_is_refused_under_strict_alone(tmp_path):
    """An image that warns is released, and under --strict nothing is made, nor anything signed."""
    outside = {"vector_register = 0x5000_0000": "vector_register = 0x5100_0000"}
    device = write_device(tmp_path, replace=outside)
    assert released(device).files

    class NeverOpened(Keys):
        def open(self):
            raise AssertionError("a key was opened for an image that is not released")

    made = released(device, NeverOpened(key_for("Ed25519")), strict="warnings")
    assert [each.rule.name for each in made.check.failing] == ["release-registers-in-device"]
    assert made.files == {}


def test_a_seal_that_the_layout_requires_must_be_there(tmp_path):
    """`required = true` and no key: refused before anything is made, with the option to give."""
    device = write_device(tmp_path, SEAL + "required = true\n")
    with pytest.raises(UsageProblem, match="requires a seal"):
        released(device, NO_KEYS)


def test_a_seal_that_the_policy_demands_must_be_there(tmp_path):
    """The releaser's policy trusts a key: unsealed, or sealed by another, nothing is made; sealed by it, it is."""
    device = write_device(tmp_path, '\n[seal]\narea = "seal"\n')
    policy = device / "policy.toml"
    policy.write_text('format = 1\ntrust = ["release.pem"]\n')
    unsealed = released(device, NO_KEYS, policy=policy)
    assert ("seal-present" in broken(unsealed.check), unsealed.files) == (True, {})
    foreign = released(device, Keys(other_key(3)), policy=policy)
    assert ("seal-by-trusted-key" in broken(foreign.check), foreign.files) == (True, {})
    assert released(device, ED25519, policy=policy).files


def test_a_key_that_the_layout_does_not_trust_signs_nothing_that_is_shipped(tmp_path):
    """Sealed by a key that is not in trust: not made."""
    made = released(write_device(tmp_path), Keys(other_key(5)))
    assert broken(made.check, "seal-")
    assert made.files == {}


def test_without_a_seal_it_is_released_where_nobody_demands_one(tmp_path):
    """No key: the provenance carries no signature and says so by having none."""
    out = release_folder(tmp_path, NO_KEYS)
    assert json.loads((out / "provenance.json").read_text())["signatures"] == []
    assert json.loads((out / "release.json").read_text())["sealed"] is False


def test_the_previous_image_gives_notes_and_a_floor(tmp_path):
    """What changed is in notes.txt and .json; a rollback counter below the previous one's is refused."""
    first = release_folder(tmp_path / "first")
    previous = first / f"{STEM}.hex"
    device = write_device(tmp_path / "second")
    made = released(device, previous=previous, version="1.3.0", rollback=8)
    assert b"1.2.3 -> 1.3.0" in made.files["notes.txt"]
    assert b"NOT VERIFIED" not in made.files["notes.txt"]
    assert json.loads(made.files["notes.json"])["rollback"] == "rises"
    lower = released(device, previous=previous, version="1.3.0", rollback=6)
    assert (len(broken(lower.check, "rollback-")), lower.files) == (1, {})


def test_builds_of_the_previous_image_name_what_changed(tmp_path):
    """With old:NAME=BUILD the notes go down to symbols; without --previous they are refused."""
    first = release_folder(tmp_path / "first")
    device = write_device(tmp_path / "second")
    old = tmp_path / "old.elf"
    old.write_bytes((device / "station.elf").read_bytes())
    (device / "station.elf").write_bytes(station_elf(code=bytes(range(2, 130))))
    words = [*request(device).builds, f"old:station={old}"]
    made = released(device, builds=words, previous=first / f"{STEM}.hex")
    assert json.loads(made.files["notes.json"])["builds"]
    with pytest.raises(UsageProblem, match="without one"):
        released(device, builds=words)


def test_a_folder_that_is_not_empty_is_left_alone(tmp_path):
    """What was released once is not overwritten; an empty folder is taken."""
    out = tmp_path / "out"
    out.mkdir()
    write_folder(out, {"a": [b"1"], "b/c": [b"2"]})
    assert (out / "b" / "c").read_bytes() == b"2"
    with pytest.raises(UsageProblem, match="not empty"):
        write_folder(out, {"a": [b"3"]})
    assert (out / "a").read_bytes() == b"1"


def test_a_folder_appears_whole_or_not_at_all(tmp_path):
    """An error in the last file leaves nothing, neither the folder nor a temporary one."""

    def failing():
        yield b"x"
        raise OSError(28, "No space left on device")

    with pytest.raises(OutputError):
        write_folder(tmp_path / "out", {"a": [b"1"], "b": failing()})
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("kind", ["file", "link", "no parent"])
def test_what_cannot_be_a_folder_is_refused(kind, tmp_path):
    """A file, a link to a folder, a place in no folder."""
    target = tmp_path / "out"
    if kind == "file":
        target.write_bytes(b"")
    elif kind == "link":
        (tmp_path / "other").mkdir()
        target.symlink_to(tmp_path / "other")
    else:
        target = tmp_path / "no" / "out"
    with pytest.raises(UsageProblem):
        write_folder(target, {"a": [b"1"]})


def test_the_command_makes_and_checks_it(tmp_path):
    """Both commands as processes: files and readings are named, and the folder passes; a second time it is refused."""
    device = write_device(tmp_path, '\n[seal]\narea = "seal"\n')
    words = ("release", "small.toml", "station=station.elf", "sampler=sampler.elf", "-o", "out")
    done = run(*words, cwd=device)
    assert done.returncode == 0, done.stderr
    assert "read back" in done.stdout
    assert "SHA256SUMS" in done.stdout
    assert run("check", "--release", "out", cwd=device).returncode == 0
    again = run(*words, cwd=device)
    assert (again.returncode, "not empty" in again.stderr) == (2, True)


def test_the_command_with_a_broken_rule_leaves_nothing(tmp_path):
    """Exit code 1, findings, no folder."""
    device = write_device(tmp_path, "")
    (device / "station.elf").write_bytes(station_elf(words={1: 0x2000_0001}))
    before = sorted(os.listdir(device))
    done = run("release", "small.toml", "station=station.elf", "sampler=sampler.elf", "-o", "out", cwd=device)
    assert (done.returncode, "nothing was written" in done.stderr) == (1, True)
    assert sorted(os.listdir(device)) == before


def test_join_reads_back_too(tmp_path):
    """`gemel join --read-back` names what was read by which library."""
    device = write_device(tmp_path, "")
    words = ("join", "small.toml", "station=station.elf", "sampler=sampler.elf", "--read-back")
    done = run(*words, "-o", "a.hex", "-o", "a.srec", "-o", "a.bin", "--memory", "flash=f.bin", cwd=device)
    assert done.returncode == 0, done.stderr
    assert done.stdout.count("read back ") == 1
    for words in ("read by intelhex", "read by bincopy", "read by pyelftools", "compared as they are"):
        assert words in " ".join(done.stdout.split())


def test_the_key_of_the_layout_is_where_the_layout_names_it(tmp_path):
    """The layout in the folder finds its trusted key there, as PEM; a private key in its place is refused."""
    device = write_device(tmp_path, SEAL.replace("release.pem", "keys/release.pem"))
    (device / "keys").mkdir()
    (device / "keys" / "release.pem").write_bytes(key_for("Ed25519").public_key.to_der())
    files = released(device).files
    assert files["keys/release.pem"] == key_for("Ed25519").public_key.to_pem()
    (device / "keys" / "release.pem").write_bytes(key_for("Ed25519").to_pem())
    with pytest.raises(UsageProblem, match="private key"):
        released(device)


def test_two_files_of_one_name_are_refused(tmp_path):
    """A layout that is called as a document of the release: refused with both parties."""
    device = write_device(tmp_path, SEAL.replace("release.pem", "check.json"))
    (device / "check.json").write_bytes(key_for("Ed25519").public_key.to_pem())
    with pytest.raises(UsageProblem, match="one name"):
        released(device)


@pytest.mark.parametrize(
    "name", ["../k.pem", "/k.pem", "a/../k.pem", "a\\k.pem", "-k.pem", "k.pem.", "a//k", "k\n", "", "c:k"]
)
def test_names_that_lead_out_or_break_lists_are_not_safe(name):
    """What is unsafe in a list of digests or on another system is no name of a release."""
    assert not is_safe_name(name)


@pytest.mark.parametrize(
    "name", ["k.pem", "keys/k.pem", "tide gauge.toml", ".keys/k", "schlüssel.pem", "a+b_c-1.2.hex"]
)
def test_usual_names_are_safe(name):
    """Spaces, hidden folders and other scripts are."""
    assert is_safe_name(name)


def test_the_list_of_contents_keeps_its_schema(tmp_path):
    """release.json is valid by the schema that its classes give, and is read back as it was written."""
    import jsonschema

    from gemel.text.as_json import schema_of

    data = released(write_device(tmp_path)).files["release.json"]
    jsonschema.validate(json.loads(data), schema_of(ReleaseContents, "contents"))
    assert read_contents(data, "release.json").builds[0].sha256 == hashlib.sha256(station_elf()).hexdigest()


@pytest.mark.parametrize("data", [b"", b"[]", b"{}", b'{"format": 2}', b"\xff", b"[" * 100_000])
def test_what_is_no_list_of_contents_is_said_so(data):
    """Damaged or hostile lists are one problem, never a traceback."""
    with pytest.raises(UsageProblem):
        read_contents(data, "release.json")


@pytest.mark.parametrize(
    ("line", "count"),
    [
        ("a" * 64 + "  x\n", 1),
        ("A" * 64 + " *x\n", 1),
        ("a" * 63 + "  x\n", 0),
        ("a" * 64 + "  ../x\n", 0),
        ("\n", 0),
    ],
)
def test_lines_of_digests(line, count):
    """A digest, a sign for text or binary, a name; anything else is a fault."""
    sums, faults = read_sums(line.encode())
    assert (len(sums), len(faults)) == (count, 1 - count)


def test_names_of_images_are_plain():
    """Product names with other signs give file names without them."""
    assert stem_of("tide gauge/é", "1.0.0") == "tide_gauge__-1.0.0"
    assert stem_of("..", None) == "image"


@pytest.mark.parametrize("builder", ["", "me", "a b:c", "1:x", "x:" + "y" * 2000])
def test_a_builder_is_a_uri(builder, tmp_path):
    """What is no URI is refused before anything is read."""
    with pytest.raises(UsageProblem, match="URI"):
        make_release(request(write_device(tmp_path), builder=builder), ED25519)


KILLED_AT = """
import os, signal, sys
from pathlib import Path
from gemel.files.folders import write_folder

at, seen = int(sys.argv[1]), 0

def counted(call):
    def wrapped(*arguments, **options):
        global seen
        seen += 1
        if seen == at:
            os.kill(os.getpid(), getattr(signal, sys.argv[2]))
        return call(*arguments, **options)
    return wrapped

for name in ("open", "mkdir", "fsync", "rename", "rmdir", "unlink"):
    setattr(os, name, counted(getattr(os, name)))
write_folder(Path("out"), {"a": [b"1"], "b/c": [b"2", b"3"]})
print(seen)
"""


@pytest.mark.parametrize("number", ["SIGKILL", "SIGTERM"])
def test_a_killed_run_leaves_a_whole_folder_or_none(number, tmp_path):
    """Killed at any call of the system: the folder is there whole or not; the next run cleans up and makes it."""
    words = [sys.executable, "-c", KILLED_AT]
    (tmp_path / "0").mkdir()
    counted = subprocess.run(
        [*words, "0", number],
        cwd=tmp_path / "0",
        env=environment(),
        capture_output=True,
        text=True,
        check=True,
    )
    for at in range(1, int(counted.stdout) + 1, 1 if number == "SIGKILL" else 3):
        folder = tmp_path / str(at)
        folder.mkdir()
        subprocess.run(
            [*words, str(at), number], cwd=folder, env=environment(), capture_output=True, check=False
        )
        out = folder / "out"
        if out.exists():
            assert (out / "a").read_bytes() + (out / "b" / "c").read_bytes() == b"123"
        else:
            subprocess.run(
                [*words, "0", number], cwd=folder, env=environment(), capture_output=True, check=True
            )
        left = [path.name for path in folder.iterdir() if not path.name.endswith("-lock")]
        assert left == ["out"]


@pytest.mark.parametrize("module", ["cyclonedx", "cbor2", "bincopy", "intelhex", "elftools"])
def test_a_missing_library_is_named_with_its_extra(module, tmp_path, monkeypatch):
    """Before a key is opened: nothing is shipped that was not read back and documented."""
    device = write_device(tmp_path)
    for name in [each for each in sys.modules if each.partition(".")[0] == module]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, module, None)
    with pytest.raises(ExtraMissing, match=r"gemel\[release\]"):
        released(device)
