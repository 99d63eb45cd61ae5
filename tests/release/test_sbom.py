"""The SBOM: valid by the published schema, read by another library, true of builds, and merged with the teams' own."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest
from cyclonedx.schema import SchemaVersion
from cyclonedx.validation.json import JsonStrictValidator
from lib4sbom.parser import SBOMParser
from releases import NO_KEYS, released, request, write_device
from seal_keys import key_for
from small_device import STATION_ID, station_elf
from team_documents import TEAM
from tide_gauge import BUILT, ROOT, layout_file

from gemel.builds.build import Build
from gemel.errors import UsageProblem
from gemel.release.linked_in import LinkedLibrary, _libraries, compiler_of, made_of
from gemel.release.provenance import read_envelope, read_statement
from gemel.release.sbom import MAX_DEPTH, MAX_PARTS
from gemel.workflows.inputs.builds import load_builds
from gemel.workflows.releasing.inputs import ReleaseRequest
from gemel.workflows.releasing.release import make_release


def valid(data: bytes) -> dict:
    """The SBOM's data; it is valid by the schema of CycloneDX 1.6 that its own library brings."""
    error = JsonStrictValidator(SchemaVersion.V1_6).validate_str(data.decode())
    assert error is None, error
    return json.loads(data)


def parts(data: dict) -> dict[str, dict]:
    """Components by reference."""
    return {each["bom-ref"]: each for each in data["components"]}


def properties(part: dict, name: str) -> list[str]:
    """The values of one of our properties."""
    return [each["value"] for each in part["properties"] if each["name"] == f"gemel:{name}"]


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> dict[str, bytes]:
    """A release of the small device."""
    return released(write_device(tmp_path_factory.mktemp("device"))).files


def test_it_is_valid_and_says_what_is_in_the_image(made):
    """Product with the image's digest; each build with file, digest, build id and core."""
    data = valid(made["sbom.cdx.json"])
    product = data["metadata"]["component"]
    assert (product["name"], product["version"]) == ("small-device", "1.2.3")
    assert product["hashes"][0]["content"] == hashlib.sha256(made["small-device-1.2.3.hex"]).hexdigest()
    station = parts(data)["build:station"]
    assert station["hashes"] == [{"alg": "SHA-256", "content": hashlib.sha256(station_elf()).hexdigest()}]
    assert properties(station, "build-id") == [STATION_ID.hex()]
    assert properties(station, "core") == ["station"]
    depends = {each["ref"]: each.get("dependsOn") for each in data["dependencies"]}
    assert depends["product"] == ["build:sampler", "build:station"]
    assert "timestamp" not in data["metadata"]


@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::pytest.PytestUnraisableExceptionWarning")
def test_another_library_reads_it(made, tmp_path):
    """lib4sbom finds the same components, versions and digests."""
    path = tmp_path / "sbom.cdx.json"
    path.write_bytes(made["sbom.cdx.json"])
    parser = SBOMParser()
    parser.parse_file(str(path))
    found = {each["name"]: each for each in parser.get_packages()}
    assert {"station", "sampler"} <= set(found)
    assert found["station"]["version"] == "1.2.3"
    digest = hashlib.sha256(station_elf()).hexdigest()
    assert digest in [each[1] for each in found["station"]["checksum"]]


def test_source_date_epoch_gives_the_time(tmp_path, monkeypatch):
    """With SOURCE_DATE_EPOCH it has that time; anything else in it is left alone."""
    device = write_device(tmp_path)
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1700000000")
    data = valid(released(device).files["sbom.cdx.json"])
    assert data["metadata"]["timestamp"] == "2023-11-14T22:13:20Z"
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "yesterday")
    assert "timestamp" not in valid(released(device).files["sbom.cdx.json"])["metadata"]


def test_what_the_tide_gauge_was_made_of():
    """Compilers as DWARF's producer names them, the processor as the build attributes do."""
    words = [f"{name}={BUILT / 'in-place' / name}.elf" for name in ("station", "sampler")]
    files = make_release(
        ReleaseRequest(layout=layout_file("in-place"), builds=words, memories=False), NO_KEYS
    ).files
    found = parts(valid(files["sbom.cdx.json"]))
    sampler = found["build:sampler"]
    assert any(text.startswith("GNU C11 12.2.1") for text in properties(sampler, "producer"))
    assert properties(sampler, "attribute:CPU_name") == ["8-M.MAIN"]
    compiler = found["build:sampler:tool:GNU C11@12.2.1"]
    assert (compiler["version"], compiler["scope"]) == ("12.2.1", "excluded")


def test_a_linked_in_library_is_found():
    """A build with picolibc linked in (testdata/verdict) shows it with the members that DWARF names."""
    made = made_of(built(ROOT / "testdata/verdict/built/sampler-library-v7.elf"))
    assert [each.name for each in made.libraries] == ["picolibc"]
    assert {"memcpy.c", "memset.c", "nano-malloc-malloc.c"} <= set(made.libraries[0].members)
    assert {compiler_of(each) for each in made.producers} >= {("GNU AS", "2.39"), ("GNU C17", "12.2.1")}


PATHS = {
    "archive": (["libtide.a(median.o)"], LinkedLibrary("tide", "", "", ("median.o",))),
    "archive in a folder": (["/b/lib/libtide.a(median.o)"], LinkedLibrary("tide", "", "", ("median.o",))),
    "an archive without lib": (["C:/kit/tide.lib(median.o)"], LinkedLibrary("tide", "", "", ("median.o",))),
    "crate": (
        ["/h/.cargo/registry/src/index-6f17/tide-math-0.7.7/src/lib.rs/@/tide_math.1"],
        LinkedLibrary("tide-math", "0.7.7", "pkg:cargo/tide-math@0.7.7", ("tide_math.1",)),
    ),
    "crate of a trial version": (
        ["registry/src/i/tide-1.0.0-rc.1/src/a.rs"],
        LinkedLibrary("tide", "1.0.0-rc.1", "pkg:cargo/tide@1.0.0-rc.1", ("a.rs",)),
    ),
    "folder with a version": (
        ["/src/tide-math-2.10.1/src/a.c"],
        LinkedLibrary("tide-math", "2.10.1", "", ("a.c",)),
    ),
    "newlib": (["/b/../newlib/libc/string/memcpy.c"], LinkedLibrary("newlib", "", "", ("memcpy.c",))),
    "libgcc": (["../../../libgcc/config/arm/lib1funcs.S"], LinkedLibrary("libgcc", "", "", ("lib1funcs.S",))),
    "Rust's core": (
        [f"/rustc/{'ab' * 20}/library/core/src/lib.rs/@/core.1"],
        LinkedLibrary("rust-core", "ab" * 20, "", ("core.1",)),
    ),
    "picolibc by one of its own": (
        ["../../../picocrt/crt0.c", "../../../newlib/libc/misc/init.c"],
        LinkedLibrary("picolibc", "", "", ("crt0.c", "init.c")),
    ),
    "the team's own": (["src/main.c", "./core.c", "", "drivers/uart-v2/uart.c", "app-1/x.c"], None),
}


@pytest.mark.parametrize("case", PATHS)
def test_libraries_by_their_paths(case):
    """What each kind of path tells; a team's own folders are no library (forms: common practice)."""
    paths, expected = PATHS[case]
    assert _libraries(paths) == ((expected,) if expected else ())


@pytest.mark.parametrize(
    ("producer", "expected"),
    [
        ("GNU C11 12.2.1 20221205 -mthumb", ("GNU C11", "12.2.1")),
        ("Debian clang version 14.0.6", ("Debian clang", "14.0.6")),
        ("clang LLVM (rustc version 1.63.0)", ("rustc", "1.63.0")),
        ("GNU AS 2.40", ("GNU AS", "2.40")),
        ("a compiler", ("a compiler", "")),
        ("", ("", "")),
    ],
)
def test_compilers_by_their_producers(producer, expected):
    """Name and version of producers as compilers write them (seen in testdata)."""
    assert compiler_of(producer) == expected


def built(file: Path) -> Build:
    """A build that stands alone."""
    return load_builds(None, {"sampler": file})["sampler"]


def test_without_debug_information_it_says_so(tmp_path):
    """Nothing is invented; the reason is a property."""
    (tmp_path / "x.elf").write_bytes(station_elf())
    made = made_of(built(tmp_path / "x.elf"))
    assert (made.producers, made.libraries) == ((), ())
    assert made.reason


def test_a_teams_own_sbom_is_merged(tmp_path):
    """Its components keep purl, CPE, licence and digests, under references of their own; its build depends on them."""
    device = write_device(tmp_path)
    given = device / "sampler.cdx.json"
    given.write_text(json.dumps(TEAM))
    made = released(device, sboms=[f"sampler={given}"])
    data = valid(made.files["sbom.cdx.json"])
    found = parts(data)
    tidemath = found["sbom1:tm"]
    assert tidemath["purl"] == "pkg:generic/tidemath@1.0.3"
    assert tidemath["cpe"].startswith("cpe:2.3:a:harbour:tidemath")
    assert (
        tidemath["licenses"] == [{"license": {"id": "MIT"}}]
        or tidemath["licenses"][0]["license"]["id"] == "MIT"
    )
    assert {"sampler-firmware", "tidemath", "nofields", "tinyos"} <= {
        each["name"] for each in data["components"]
    }
    depends = {each["ref"]: each.get("dependsOn", []) for each in data["dependencies"]}
    assert depends["build:sampler"] == ["sbom1:top"]
    assert sorted(depends["sbom1:top"]) == ["sbom1:product", "sbom1:tm"]
    statement = read_statement(read_envelope(made.files["provenance.json"], "").payload, "")
    assert statement.materials["sbom 1"].sha256 == hashlib.sha256(given.read_bytes()).hexdigest()


def test_two_teams_with_the_same_references(tmp_path):
    """The same document for both builds: nothing clashes, and two runs give the same bytes."""
    device = write_device(tmp_path)
    given = device / "team.cdx.json"
    given.write_text(json.dumps(TEAM))
    sboms = [f"sampler={given}", f"station={given}", str(given)]
    one, two = (released(device, sboms=sboms).files["sbom.cdx.json"] for _ in range(2))
    assert one == two
    data = valid(one)
    refs = [each["bom-ref"] for each in data["components"]]
    assert len(set(refs)) == len(refs)
    assert {"sbom1:tm", "sbom2:tm", "sbom3:tm"} <= set(refs)


def nested(depth):
    """A component with another one inside it, and so on."""
    found = []
    for number in range(depth):
        found = [{"type": "library", "name": f"c{number}", "components": found}]
    return found


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[]",
        "{}",
        '{"bomFormat": "other"}',
        '{"bomFormat": "CycloneDX", "components": 3}',
        json.dumps({**TEAM, "metadata": {"component": {"type": "firmware", "name": 1}}}),
        json.dumps({**TEAM, "components": [{"type": "library", "name": name} for name in ("a", 2)]}),
        json.dumps({**TEAM, "components": [{"type": "library", "name": "a", "properties": [{"name": 1}]}]}),
        json.dumps(
            {**TEAM, "components": [{"type": "library", "name": f"c{n}"} for n in range(MAX_PARTS + 1)]}
        ),
        json.dumps({**TEAM, "components": nested(MAX_DEPTH + 1)}),
    ],
)
def test_what_is_no_sbom_is_refused(text, tmp_path):
    """One problem that names the file; nothing is made."""
    device = write_device(tmp_path)
    given = device / "team.json"
    given.write_text(text)
    with pytest.raises(UsageProblem, match=r"team\.json"):
        make_release(request(device, sboms=[str(given)]), NO_KEYS)


@pytest.mark.parametrize(
    ("data", "found"),
    [
        (b"\x7fELF\xff\x00", "byte 0xFF at offset 4: no text in UTF-8"),
        (b":020000040800F2\n:00000001FF\n", "an Intel HEX file"),
        (b"\x1f\x8b\x08\xff", "a file compressed by gzip"),
        (b"name = 1\n", "no JSON in line 1"),
        (b'{"bomFormat": "other"}', 'no "bomFormat": "CycloneDX"'),
    ],
)
def test_another_file_given_as_sbom_is_named_without_names_of_ours(data, found, tmp_path):
    """What it is or where it ends to be JSON is said in words, not by the exception of a library."""
    device = write_device(tmp_path)
    (device / "team.json").write_bytes(data)
    with pytest.raises(UsageProblem) as raised:
        make_release(request(device, sboms=[str(device / "team.json")]), NO_KEYS)
    (problem,) = raised.value.problems
    assert problem.found.startswith(found)
    assert "Error" not in problem.found


def test_the_key_that_signed_is_no_component(made):
    """Nothing of keys is in the SBOM."""
    assert key_for("Ed25519").public_key.fingerprint.hex() not in made["sbom.cdx.json"].decode()
