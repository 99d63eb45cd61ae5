"""What whoever checks demands, whatever the layout says: --trust, --policy, and what guards the image.

Every case is an attack that a check took once: the image is not what was sealed, and the layout that comes
with it says that this is well.
"""

from __future__ import annotations

import datetime
import hashlib
import json
from pathlib import Path

import jsonschema
import pytest
from check.test_seal_policy import Bench, bench
from image_edits import changed
from record_edits import with_entry, with_record
from schemas import exported_schema
from sealed_images import NEW, OLD, STRANGER, sealed, sealed_layout, unsealed
from small_device import SAMPLER, TODAY

import gemel
from gemel import GemelError
from gemel.checking.registry import all_rules
from gemel.cli.main import exit_code
from gemel.image.intel_hex import encode
from gemel.policy.model import Policy
from gemel.policy.page import EXAMPLE
from gemel.policy.reader import PolicyError, read_policy

__all__ = ["bench"]

POLICY = 'format = 1\ntrust = ["old.pem"]\n'
NAMES = [rule.name for rule in all_rules()]


def waiving(rule: str, where: str, until: str = "2027-06-30") -> str:
    """A layout's table that waives one rule at one place."""
    return f'\n[rules]\nwaive = [{{ rule = "{rule}", where = "{where}", reason = "x", until = {until} }}]\n'


def lowering(rule: str) -> str:
    """A layout's table that makes a rule a note."""
    return f'\n[rules]\nseverity = [{{ rule = "{rule}", severity = "note", reason = "x" }}]\n'


def own(text: str = "") -> tuple[str, str]:
    """The option, with a policy file that trusts the old key and says ``text`` besides."""
    Path("own.toml").write_text(POLICY + text, encoding="utf-8")
    return "--policy", "own.toml"


def patched():  # type: ignore[no-untyped-def]
    """A sealed image with another byte in the code of the sampler."""
    return changed(sealed(OLD), {SAMPLER + 0x90: b"\xc0\x46"})


DEMANDS = ["--trust", "--policy"]


def demanding(option: str) -> tuple[str, str]:
    """Whoever demands a seal of the old key by that option."""
    return ("--trust", "old.pem") if option == "--trust" else own()


@pytest.mark.parametrize("option", DEMANDS)
@pytest.mark.parametrize("seal", ["required = false\n", 'required = false\ntrust = ["old.pem"]\n'])
def test_a_named_key_requires_a_seal(bench: Bench, option: str, seal: str) -> None:
    """The attack: the layout says that no seal is required, and an unsealed image passed."""
    assert bench.check(unsealed(), seal=seal).code == 0
    refused = bench.check(unsealed(), *demanding(option), seal=seal)
    assert (refused.code, refused.broken) == (1, {"seal-present"})
    assert bench.check(sealed(OLD), *demanding(option), seal=seal).code == 0


@pytest.mark.parametrize("seal", ["required = false\n", "required = true\n", 'trust = ["old.pem"]\n'])
def test_no_key_given_is_no_trust(bench: Bench, seal: str) -> None:
    """The attack by script: a list of keys that came out empty took unsealed images as if nobody had asked."""
    read = sealed_layout(seal)
    for image in (unsealed(), sealed(OLD), sealed(STRANGER)):
        with pytest.raises(GemelError, match="no key is given"):
            gemel.check(read, gemel.Image(image), trusted=[])


@pytest.mark.parametrize("option", DEMANDS)
def test_no_waiver_lets_another_keys_seal_pass(bench: Bench, option: str) -> None:
    """The attack: required = false, and a waiver of who signed; a stranger's seal passed."""
    rules = (
        '\n[rules]\nwaive = [\n  { rule = "seal-by-trusted-key", where = "seal", reason = "x", until = 2027-01-01 },\n'
        '  { rule = "seal-signers-sufficient", where = "seal", reason = "x", until = 2027-01-01 },\n]\n'
    )
    refused = bench.check(sealed(STRANGER), *demanding(option), seal="required = false\n", rules=rules)
    assert refused.code == 1
    assert refused.broken == {"seal-by-trusted-key"}


@pytest.mark.parametrize("option", DEMANDS)
def test_no_waiver_lets_changed_bytes_pass(bench: Bench, option: str) -> None:
    """The attack: the seal holds over the record, and the layout waives that the bytes are the record's."""
    seal, rules = "required = false\n", waiving("record-digests-match", "sampler")
    assert bench.check(patched(), seal=seal, rules=rules).code == 0, "nobody demands a seal here"
    refused = bench.check(patched(), *demanding(option), seal=seal, rules=rules)
    assert (refused.code, refused.broken) == (1, {"record-digests-match"})


@pytest.mark.parametrize("option", DEMANDS)
def test_no_severity_lets_changed_bytes_pass(bench: Bench, option: str) -> None:
    """The same by making the rule a note."""
    seal, rules = "required = false\n", lowering("record-digests-match")
    assert bench.check(patched(), seal=seal, rules=rules).code == 0
    refused = bench.check(patched(), *demanding(option), seal=seal, rules=rules)
    assert (refused.code, refused.broken) == (1, {"record-digests-match"})
    assert refused.rules["record-digests-match"]["severity"] == "error"


@pytest.mark.parametrize(
    ("option", "rule"),
    [
        (("--at-least", "8"), "rollback-not-lower"),
        (("--previous", "newer.hex"), "rollback-not-lower"),
        (("--version", "9.0.0"), "version-as-asked"),
        (("--rollback", "8"), "version-as-asked"),
        (("--at-least", "8", "--previous", "newer.hex"), "rollback-not-lower"),
        (("--version", "9.0.0", "--rollback", "8"), "version-as-asked"),
    ],
    ids=lambda each: "".join(each[::2]) if isinstance(each, tuple) else "",
)
def test_no_waiver_takes_back_what_an_option_demands(
    bench: Bench, option: tuple[str, ...], rule: str
) -> None:
    """The attack: a layout without a required seal waives the very rule that whoever checks has demanded."""
    Path("newer.hex").write_bytes(b"".join(encode(with_record(unsealed(), major=9))))
    seal = "required = false\n"
    for rules in (waiving(rule, "record"), waiving(rule, "rollback"), waiving(rule, "version")):
        refused = bench.check(unsealed(), *option, seal=seal, rules=rules)
        assert (refused.code, refused.broken) == (1, {rule})
        assert bench.check(unsealed(), seal=seal, rules=rules).code == 0


@pytest.mark.parametrize("rule", [rule.name for rule in all_rules() if rule.guards == "image"])
def test_what_guards_the_image_is_not_waived_where_the_layout_requires_a_seal(
    bench: Bench, rule: str
) -> None:
    """Whatever the rule is called: it is asked what it guards."""
    is_note = next(each.severity for each in all_rules() if each.name == rule) == "note"
    for rules in (waiving(rule, "record"), *([] if is_note else [lowering(rule)])):
        refused = bench.check(sealed(OLD), rules=rules)
        assert refused.code == 2
        assert "small.toml" in refused.errors
        assert "cannot" in refused.errors


def test_what_guards_the_device_may_still_be_waived(bench: Bench) -> None:
    """A team may accept that a device does something odd, with a reason, sealed or not."""
    rules = waiving("stack-has-room", "station")
    assert bench.check(sealed(OLD), rules=rules).code == 0
    assert bench.check(sealed(OLD), "--trust", "old.pem", rules=rules).code == 0


def test_a_build_id_taken_out_of_the_record_is_found_by_the_seal_alone(bench: Bench) -> None:
    """The decision: a record without a build id is what a join of HEX writes, so that only a seal shows the attack.

    Without one anybody can change the record (``gemel explain record``, "What it is not"); --strict=inputs says that
    nothing shows the build id.
    """
    image = with_entry(0, unsealed(), build_id=b"")
    read = bench.check(image, seal="required = false\n")
    assert (read.code, read.rules["build-ids-equal"]["status"]) == (0, "not checked")
    assert bench.check(image, "--strict=inputs", seal="required = false\n").code == 1
    assert bench.check(image, "--trust", "old.pem").broken == {"seal-present"}
    refused = bench.check(with_entry(0, sealed(OLD), build_id=b""), "--trust", "old.pem")
    assert refused.broken == {"seal-over-this-record"}


def test_which_rules_guard_the_image() -> None:
    """The list as it is now: whoever adds a rule decides, and sees it here."""
    kinds = {rule.name: rule.guards for rule in all_rules()}
    assert set(kinds.values()) == {"image", "device"}
    guarding = {name for name, kind in kinds.items() if kind == "image"}
    assert guarding >= {
        "record-sound",
        "record-digests-match",
        "record-of-this-layout",
        "record-of-these-builds",
        "rest-digest-matches",
        "checksums-match",
        "stamps-match",
        "image-inside-memories",
        "image-inside-areas",
        "image-equals-builds",
        "version-as-asked",
        "rollback-not-lower",
        "reserved-areas-untouched",
        "image-fits-policy",
    }
    assert {name for name in kinds if name.startswith("seal-")} <= guarding


def test_a_policy_keeps_every_error_unless_it_names_some(bench: Bench) -> None:
    """The default keeps whatever is an error; a list keeps what it names, and what guards the image."""
    image = sealed(OLD)
    broken = lowering("erase-blocks-apart")
    told = bench.check(image, *own(), rules=broken)
    assert told.rules["erase-blocks-apart"]["severity"] == "error"
    told = bench.check(image, *own('unwaivable = ["record-sound"]\n'), rules=broken)
    assert told.rules["erase-blocks-apart"]["severity"] == "note"


def test_a_policy_limits_how_long_a_waiver_runs(bench: Bench) -> None:
    """A waiver that runs for longer than the receiver takes is none, and the report says why."""
    away = {"vector_register = 0x5000_0000": "vector_register = 0x6000_0000"}
    rules, keep = waiving("release-registers-in-device", "sampler"), "unwaivable = []\n"
    left = (datetime.date(2027, 6, 30) - TODAY).days
    for days, status in ((400, "waived"), (left, "waived"), (left - 1, "warning"), (30, "warning")):
        told = bench.check(sealed(OLD), *own(f"{keep}waiver_days = {days}\n"), rules=rules, replace=away)
        assert told.rules["release-registers-in-device"]["status"] == status, days
    (finding,) = told.rules["release-registers-in-device"]["findings"]
    assert (
        finding["waiver_refused"] == "not taken: it runs until 2027-06-30, and own.toml takes 30 days at most"
    )


def test_a_policy_only_narrows(bench: Bench) -> None:
    """More signers, fewer algorithms, a pair, fewer unknown signers: the narrower of both counts."""
    wide = 'trust = ["old.pem", "new.pem"]\nunknown_signers = 2\n'
    assert bench.check(sealed(OLD), *own(), seal=wide).code == 0
    Path("own.toml").write_text('format = 1\ntrust = ["old.pem", "new.pem"]\nsigners = 2\n', encoding="utf-8")
    assert bench.check(sealed(OLD, NEW), "--policy", "own.toml", seal=wide).code == 0
    two = bench.check(sealed(OLD), "--policy", "own.toml", seal=wide)
    assert two.broken == {"seal-signers-sufficient"}
    assert bench.check(sealed(OLD), *own("pair = true\n"), seal=wide).broken == {"seal-signers-sufficient"}
    other = bench.check(sealed(OLD), *own('algorithms = ["ECDSA-P256"]\n'), seal=wide)
    assert other.broken == {"seal-algorithm-allowed"}
    assert bench.check(sealed(OLD, STRANGER), *own(), seal=wide).broken == {"seal-signers-known"}
    assert bench.check(sealed(OLD, STRANGER), *own("unknown_signers = 1\n"), seal=wide).code == 0
    narrow = 'trust = ["old.pem", "new.pem"]\nsigners = 2\nrequired = true\n'
    assert bench.check(sealed(OLD), *own(), seal=narrow).broken == {"seal-signers-sufficient"}


def test_the_digest_of_a_layouts_file_is_not_that_of_the_layout(bench: Bench) -> None:
    """Who demands the file's SHA-256 is given the one to demand; any other digest is another layout's."""
    refused = bench.check(sealed(OLD), *own(f'layout_sha256 = ["{"0" * 64}"]\n'))
    (finding,) = refused.rules["image-fits-policy"]["findings"]
    assert (refused.broken, "lines" in str(finding) and "not the layout's digest" in str(finding)) == (
        {"image-fits-policy"},
        False,
    )
    digest = hashlib.sha256(Path("small.toml").read_bytes()).hexdigest()
    refused = bench.check(sealed(OLD), *own(f'layout_sha256 = ["{digest}"]\n'))
    (finding,) = refused.rules["image-fits-policy"]["findings"]
    assert "not the layout's digest" in str(finding)
    demanded = finding["next_step"].rpartition(" ")[2]
    assert bench.check(sealed(OLD), *own(f'layout_sha256 = ["{demanded}"]\n')).code == 0


def test_keys_of_policy_and_layout(bench: Bench) -> None:
    """A policy without a key, or with none that the layout trusts, is an error and takes nothing."""
    Path("own.toml").write_text('format = 1\nproduct = "small-device"\n', encoding="utf-8")
    none = bench.check(sealed(OLD), "--policy", "own.toml")
    assert none.code == 2
    assert "does not say whose seals are accepted" in none.errors
    assert bench.check(sealed(OLD), "--policy", "own.toml", "--trust", "old.pem").code == 0
    other = bench.check(sealed(OLD), *own(), seal='trust = ["new.pem"]\n')
    assert other.code == 2
    assert "no key in common" in other.errors
    outside = bench.check(sealed(NEW), *own(), "--trust", "new.pem", seal="required = false\n")
    assert outside.code == 2
    assert "own.toml does not trust this key" in outside.errors


FAULTS = {
    "no algorithm taken": ("algorithms = []", "an empty list would accept none: algorithms"),
    "no layout taken": ("layout_sha256 = []", "an empty list would accept none: layout_sha256"),
    "unknown key": ("trusted = []", 'did you mean "trust"?'),
    "no such rule": ('unwaivable = ["record-sounds"]', 'did you mean "record-sound"?'),
    "no such algorithm": ('algorithms = ["Ed25518"]', 'did you mean "Ed25519"?'),
    "another format": ("", "format"),
    "a class without its vendor": ('class = "small"', "a class without its vendor"),
    "no digest": ('layout_sha256 = ["ab"]', "64 digits"),
    "no TOML": ("trust = [", "not valid TOML"),
    "an algorithm like none": ('algorithms = ["RSA"]', "write one or more of Ed25519,"),
    "thousands of faults": (
        "signers = 1\n" + "".join(f"k{n} = 1\n" for n in range(5000)),
        "there are more than 100 faults",
    ),
    "text without quotes": ("vendor = acme", 'put text in quotes, such as "flash"'),
    "a list without quotes": ("algorithms = [Ed25519]", "put each text of a list in quotes"),
    "a list of lines without quotes": ("algorithms = [\n  Ed25519,\n]", "put each text of a list in quotes"),
    "a colon": ("signers: 2", "write = between a key and its value"),
    "a large letter": ("only_built_in_rules = True", "write true or false, in small letters"),
    "hexadecimal as in assembly": ("at_least = 10h", "write hexadecimal numbers with 0x before them"),
    "a long line": (f"# {'x' * 5000}", "a line is too long"),
}


@pytest.mark.parametrize("case", FAULTS)
def test_a_faulty_policy_is_refused(bench: Bench, case: str) -> None:
    """All faults with the nearest name; nothing is checked with half a policy."""
    text, words = FAULTS[case]
    Path("own.toml").write_text(("" if case == "another format" else "format = 1\n") + text, encoding="utf-8")
    refused = bench.check(sealed(OLD), "--policy", "own.toml")
    assert refused.code == 2
    assert "own.toml" in refused.errors
    assert words in refused.errors.replace("\n         ", " ")


def test_each_fault_of_a_policy_has_its_line(bench: Bench) -> None:
    """An unknown key, and an entry of a list, are named with the line on which they are."""
    text = 'format = 1\n# own\ntrusted = []\nalgorithms = [\n  "Ed25519",\n  "Ed25518",\n]\n'
    Path("own.toml").write_text(text, encoding="utf-8")
    assert "own.toml:3\n" in bench.check(sealed(OLD), "--policy", "own.toml").errors
    Path("own.toml").write_text(text.replace("trusted = []\n", ""), encoding="utf-8")
    assert "own.toml:5\n" in bench.check(sealed(OLD), "--policy", "own.toml").errors


@pytest.mark.parametrize("data", [b"\xff\xfe", b"x" * 70_000, b"[" * 900, b"a" + b".a" * 900 + b"=1"])
def test_no_bytes_are_a_fault_of_ours(data: bytes) -> None:
    """Bytes that are no policy are refused as such."""
    with pytest.raises(PolicyError):
        read_policy(data, "own.toml")


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("-----BEGIN PUBLIC KEY-----\nMCowBQYDK2VwAyEA\n", "this is not a policy"),
        (":020000040800F2\n:00000001FF\n", "this is not a policy"),
        (":020000040800F2\n" * 5000, "this is not a policy"),
        ("format = [\n", "not valid TOML"),
    ],
)
def test_another_file_given_as_policy_is_named(text: str, what: str) -> None:
    """A public key or an image is called what it is; TOML with a fault stays TOML."""
    with pytest.raises(PolicyError, match=what):
        read_policy(text.encode(), "own.toml")


def test_the_schema_knows_every_key_and_the_example_keeps_to_it() -> None:
    """The example of ``explain policy`` is a policy, by reader and by schema."""
    import tomllib

    schema = exported_schema("policy-schema")
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(tomllib.loads(EXAMPLE), schema)
    names = ["Ed25519", "ECDSA-P256"]
    assert isinstance(read_policy(EXAMPLE.encode(), "own.toml", NAMES, names).policy, Policy)


def test_the_page_and_the_schema_are_handed_out(capsys: pytest.CaptureFixture[str]) -> None:
    """``explain policy`` names every key, ``export policy-schema`` prints the schema."""
    assert exit_code(["explain", "policy"]) == 0
    page = capsys.readouterr().out
    for key in exported_schema("policy-schema")["properties"]:
        assert f"  {key} " in page
    assert exit_code(["export", "policy-schema"]) == 0
    assert json.loads(capsys.readouterr().out) == exported_schema("policy-schema")
