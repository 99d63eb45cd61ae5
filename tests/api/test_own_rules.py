"""Rules that installed packages bring: found by entry point, in explain, checks, reports and waivers; or refused."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from in_process import run_here
from seal_keys import key_for

import gemel
from gemel.checking.registry import all_rules, convention_faults
from gemel.demo import demo_files

RULE = """
from gemel import Finding, Holds, Rule

def check(inspection):
    for name, build in inspection.builds.items():
        if build.symbols is not None and build.symbols.named("unexpected_exception"):
            yield Finding(f"build {name} has a catch-all handler", (name,), where=f"build {name}",
                          found="unexpected_exception", expected="a handler for each exception")
        else:
            yield Holds(f"build {name}")

RULE = Rule(name="no-catch-all-handler", severity="warning", guards="device",
            checks="No build has a catch-all handler.",
            why="A catch-all hides which exception came.", remedy="Write one for each.",
            source="common practice", absent="no build is given", check=check)
"""


def installed(
    folder: Path, text: str, entry: str = "no-catch-all-handler", module: str = "ours.rule"
) -> Path:
    """A folder of installed packages with one that brings the rule ``text``."""
    package = folder / "ours"
    package.mkdir(parents=True)
    (package / "__init__.py").write_text("")
    (package / "rule.py").write_text(text)
    info = folder / "ours-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Name: ours\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text(
        f"[console_scripts]\nx = y:z\n\n[gemel.rules]\n{entry} = {module}\n"
    )
    return folder


def run(folder: Path, *arguments: str, site: Path | None = None) -> subprocess.CompletedProcess[str]:
    """One command in ``folder`` with the packages in ``site``."""
    environment = {**os.environ, "PYTHONPATH": str(site)} if site else dict(os.environ)
    command = [sys.executable, "-c", "from gemel.cli.entry import run; run()", *arguments]
    return subprocess.run(command, cwd=folder, env=environment, capture_output=True, text=True, check=False)


@pytest.fixture(scope="module")
def joined(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's files and its joined image."""
    folder = tmp_path_factory.mktemp("demo")
    for name, data in demo_files().items():
        (folder / name).write_bytes(data)
    words = ("tide-gauge.toml", "station=station.elf", "sampler=sampler.elf", "-o", "tide.hex")
    done = run_here("join", *words, cwd=folder)
    assert done.returncode == 0, done.stderr
    return folder


@pytest.fixture
def demo(joined: Path, tmp_path: Path) -> Path:
    """The same in a folder of the test's own."""
    return Path(shutil.copytree(joined, tmp_path / "demo"))


CHECK = ("check", "tide-gauge.toml", "tide.hex", "station=station.elf", "sampler=sampler.elf")


def test_a_rule_of_a_package_is_a_rule(demo: Path, tmp_path: Path) -> None:
    """It is explained, applied, reported in every form, and can be waived like any other."""
    site = installed(tmp_path / "site", RULE)
    explained = run(demo, "explain", "no-catch-all-handler", site=site)
    assert explained.returncode == 0
    assert "A catch-all hides which exception came." in explained.stdout
    assert "no-catch-all-handler" in run(demo, "explain", site=site).stdout
    for form, sign in (
        ("text", "no-catch-all-handler"),
        ("sarif", "no-catch-all-handler"),
        ("junit", "no-catch-all-handler"),
    ):
        assert sign in run(demo, *CHECK, "--format", form, site=site).stdout
    data = json.loads(run(demo, *CHECK, "--format", "json", site=site).stdout)
    found = next(rule for rule in data["rules"] if rule["name"] == "no-catch-all-handler")
    assert len(found["findings"]) == 2
    text = (demo / "tide-gauge.toml").read_text()
    waiver = '{ rule = "no-catch-all-handler", where = "station", reason = "a test", until = 2099-01-01 }'
    (demo / "waived.toml").write_text(f"{text}\n[rules]\nwaive = [{waiver}]\n")
    waived = run(demo, "check", "waived.toml", *CHECK[2:], site=site)
    assert waived.returncode == 0, waived.stdout
    unknown = run(demo, "check", "waived.toml", *CHECK[2:])
    assert unknown.returncode == 2
    assert "no-catch-all-handler" in unknown.stderr


def test_a_policy_keeps_rules_of_packages_out(demo: Path, tmp_path: Path) -> None:
    """By ``only_built_in_rules`` the package's rule is neither imported nor in the report; else it is both."""
    site = installed(tmp_path / "site", f"open('ran', 'w').close()\n{RULE}")
    policy = demo / "own.toml"
    (demo / "pub.pem").write_bytes(key_for("Ed25519").public_key.to_pem())
    for key, applied in (("only_built_in_rules = true", False), ("", True)):
        policy.write_text(f'format = 1\ntrust = ["pub.pem"]\n{key}\n')
        done = run(demo, *CHECK, "--policy", policy.name, "--format", "json", site=site)
        assert done.returncode == 1, done.stderr  # the image is not sealed
        names = {rule["name"] for rule in json.loads(done.stdout)["rules"]}
        assert "stamps-match" in names
        assert ("no-catch-all-handler" in names, (demo / "ran").exists()) == (applied, applied)


@pytest.mark.parametrize(
    ("text", "entry", "words"),
    [
        ("raise OSError('no disk')", "no-catch-all-handler", "OSError: no disk"),
        ("import no_such_module_anywhere", "no-catch-all-handler", "no_such_module_anywhere"),
        ("RULE = 7", "no-catch-all-handler", "RULE is not a gemel.Rule"),
        ("", "no-catch-all-handler", "RULE"),
        (RULE, "another-name", "the rule is called no-catch-all-handler"),
        (
            RULE.replace('name="no-catch-all-handler"', 'name="stamps-match"'),
            "stamps-match",
            "a rule with this name",
        ),
        (RULE.replace("common practice", "trust me"), "no-catch-all-handler", "source names no section"),
        (RULE.replace('severity="warning"', 'severity="grave"'), "no-catch-all-handler", "grave"),
    ],
)
def test_a_rule_that_cannot_be_used_stops_the_check(
    demo: Path, tmp_path: Path, text: str, entry: str, words: str
) -> None:
    """A package whose rule cannot be used is named, with the reason; no check passes without it."""
    done = run(demo, *CHECK, site=installed(tmp_path / "site", text, entry))
    assert done.returncode == 2
    assert words in " ".join(done.stderr.split())
    assert "ours" in done.stderr
    assert "Traceback" not in done.stderr


def test_the_working_folder_brings_no_rules(demo: Path) -> None:
    """Metadata planted where the command is run is not looked at, even where the folder is on the path."""
    installed(demo / "planted", "open('ran', 'w')")
    for item in (demo / "planted").iterdir():
        item.rename(demo / item.name)
    for site in (None, demo):
        assert run(demo, *CHECK, site=site).returncode == 0
        assert not (demo / "ran").exists()


def test_rules_of_packages_can_be_kept_out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """``own_rules_only`` leaves them out of the registry, and imports nothing of theirs."""
    from gemel.checking import registry
    from gemel.files import entry_points

    site = installed(tmp_path / "site", "open('ran', 'w')\nraise OSError")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(sys, "path", [*sys.path, str(site)])
    monkeypatch.setattr(registry, "_switched_off", [])
    entry_points.entry_points.cache_clear()
    try:
        assert "no-catch-all-handler" in registry.rule_names()
        registry.own_rules_only("a test")
        assert "no-catch-all-handler" not in registry.rule_names()
        assert all_rules() == registry._own_rules()
        assert not Path("ran").exists()
    finally:
        entry_points.entry_points.cache_clear()


def test_conventions_hold_for_our_own_rules() -> None:
    """The conventions that a team can test its rules by are those that ours keep."""
    assert all(convention_faults(rule, rule.name) == [] for rule in all_rules())


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"name": "Name"}, "hyphens"),
        ({"checks": "One. Two."}, "more than one sentence"),
        ({"why": "no capital."}, "capital"),
        ({"remedy": "No full stop"}, "full stop"),
        ({"absent": "Ends with a stop."}, "absent"),
        ({"source": "nowhere"}, "source"),
        ({"guards": "nothing"}, "guards is"),
        ({"severity": "grave"}, "severity"),
        ({"only_with": "luck"}, "only_with"),
    ],
)
def test_each_convention_is_found_broken(changes: dict[str, str], words: str) -> None:
    """A rule that breaks one convention is told which."""
    parts = {
        "name": "a-rule",
        "severity": "note",
        "guards": "device",
        "checks": "It holds.",
        "why": "It matters.",
        "remedy": "Correct it.",
        "source": "common practice",
        "absent": "nothing to look at",
        "check": lambda _: (),
    }
    assert convention_faults(gemel.Rule(**parts), "a-rule") == []
    faults = convention_faults(gemel.Rule(**{**parts, **changes}), changes.get("name", "a-rule"))
    assert any(words in fault for fault in faults), faults


def test_entry_points_survive_damaged_metadata(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Metadata that is no INI file, or is not there, brings no entries and no error."""
    from gemel.files.entry_points import entry_points

    for name, text in (
        ("a", "[gemel.rules"),
        ("b", "[gemel.rules]\nno equals"),
        ("c", "\0\xff[gemel.rules]"),
    ):
        folder = tmp_path / f"{name}-1.dist-info"
        folder.mkdir()
        (folder / "entry_points.txt").write_text(text, encoding="utf-8")
    (tmp_path / "d-1.dist-info").mkdir()
    import configparser  # noqa: F401  # read late by the function, from a path that is left out below

    monkeypatch.setattr(sys, "path", [str(tmp_path), str(tmp_path / "nowhere"), ""])
    entry_points.cache_clear()
    try:
        assert entry_points("gemel.rules") == ()
    finally:
        entry_points.cache_clear()
