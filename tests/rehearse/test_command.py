"""``gemel rehearse`` as a command."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from in_process import run_here
from rehearsals import DEVICE, SERIAL, gauge
from rehearse.differential.building import Builder
from rehearse.differential.cases import Case, Source
from rehearse.differential.judge import LAYOUT, product_of
from sealed_images import OLD, ROOM, STRANGER, sealed
from small_device import layout_text
from tide_gauge import BUILT, ROOT, layout_file

from gemel.cli.commands.rehearse import command
from gemel.cli.main import exit_code
from gemel.cli.with_click import clicked
from gemel.errors import ExtraMissing
from gemel.image import intel_hex
from gemel.layout.reader import read_layout
from gemel.rehearsal import session
from gemel.rehearsal.emulator.core import native


@pytest.fixture(scope="module")
def image(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The in-place tide gauge as HEX."""
    path = tmp_path_factory.mktemp("image") / "tide.hex"
    path.write_bytes(b"".join(intel_hex.encode(gauge("in-place").image, None)))
    return path


def rehearse(*arguments: object) -> Result:
    """One run of the command, in this process."""
    return CliRunner().invoke(clicked(command), [str(each) for each in arguments], standalone_mode=False)


BUILDS = tuple(f"{name}={BUILT / 'in-place' / name}.elf" for name in ("station", "sampler"))


def test_sound_image_passes(image: Path) -> None:
    """Exit code 0, the timeline and the verdict on stdout."""
    done = rehearse(layout_file("in-place"), image, *BUILDS)
    assert done.return_value == 0
    assert "releases sampler, vectors 0x1000_8000" in done.stdout
    assert "\nPASS: the rehearsal has no findings; " in done.stdout


def test_the_commands_of_the_faulty_builds_page_run(tmp_path: Path) -> None:
    """The image of the page's pair is joined and passes; its rehearsal finds the one fault."""
    page = (DEVICE / "README.md").read_text(encoding="utf-8").replace("\\\n", " ")
    commands = [line.split()[1:] for line in page.splitlines() if line.startswith("gemel ")]
    image = str(tmp_path / "image.hex")
    done = [
        run_here(*(image if word == "image.hex" else word for word in words), cwd=ROOT) for words in commands
    ]
    assert [each.returncode for each in done] == [0, 1]
    assert done[0].stdout.splitlines()[-1].startswith("PASS: ")
    assert done[1].stdout.splitlines()[-2].startswith("FAIL: the rehearsal has 1 finding; ")


def test_finding_gives_exit_code_1(image: Path) -> None:
    """A budget that ends before the release is a finding, as text and as JSON."""
    done = rehearse(layout_file("in-place"), image, "--budget", "10000", "--format", "json")
    assert done.return_value == 1
    data = json.loads(done.stdout)
    assert [finding["kind"] for finding in data["findings"]] == ["never-released"]
    assert "the budget ended" in data["findings"][0]["found"]


def test_a_race_is_shown_with_other_orders_asked_for(builder: Builder, tmp_path: Path) -> None:
    """``--interleavings N``: exit code 1, the race as a finding, the same bytes by the same seed; none without it."""
    count = "for (uint32_t i = 0; i < 300; i++) { LINK->word[2]++; }"
    sources = [Source(f"void scenario(void) {{ {each} }}\n") for each in (count, count)]
    case = Case("case", "races", *sources)
    elves = builder.build(case)
    (tmp_path / "layout.toml").write_text(LAYOUT.read_text(encoding="utf-8"), encoding="utf-8")
    path = tmp_path / "image.hex"
    path.write_bytes(b"".join(intel_hex.encode(product_of(case, elves).image, None)))
    for name, elf in elves.items():
        (tmp_path / f"{name}.elf").write_bytes(elf)
    given = (tmp_path / "layout.toml", path, *(f"{name}={tmp_path / name}.elf" for name in elves))
    assert rehearse(*given).return_value == 0
    first, second = (rehearse(*given, "--interleavings", 3) for _ in range(2))
    assert (first.return_value, first.stdout_bytes) == (1, second.stdout_bytes)
    assert "BROKEN race" in first.stdout
    assert "program.c:" in first.stdout


def test_picture_is_written(image: Path) -> None:
    """``--format svg`` writes one SVG document."""
    done = rehearse(layout_file("in-place"), image, "--format", "svg")
    assert done.return_value == 0
    assert done.stdout.startswith("<svg ")


def test_reports_are_written_whatever_the_result_is(image: Path, tmp_path: Path) -> None:
    """``--report`` has the forms of check and join, all by one run; where there is no result each says so."""
    files = [tmp_path / f"r{suffix}" for suffix in (".txt", ".json", ".sarif", ".xml", ".html")]
    reports = [word for file in files for word in ("--report", str(file))]
    done = rehearse(layout_file("in-place"), image, "--budget", "10000", *reports)
    assert (done.return_value, "\nFAIL: the rehearsal has " in done.stdout) == (1, True)
    assert all("never-released" in file.read_text(encoding="utf-8") for file in files)
    assert "not modelled:" in files[0].read_text(encoding="utf-8")
    assert "not modelled:" not in done.stdout
    options = json.loads(files[2].read_text(encoding="utf-8"))["runs"][0]["properties"]["identity"]["options"]
    assert (
        options
        == json.loads(files[1].read_text(encoding="utf-8"))["identity"]["options"]
        == ["--budget 10000"]
    )
    assert getattr(rehearse(layout_file("in-place"), "none.hex", *reports).exception, "exit_code", 0) == 2
    assert all("never-released" not in file.read_text(encoding="utf-8") for file in files)


def test_raw_binary_goes_where_it_is_told(tmp_path: Path) -> None:
    """A binary rehearses at the start of flash, and with --at elsewhere finds no vectors."""
    path = tmp_path / "tide.bin"
    path.write_bytes(gauge("in-place").image.read(gauge("in-place").read.layout.memories["flash"].span, 0xFF))
    assert rehearse(layout_file("in-place"), path).return_value == 0
    assert rehearse(layout_file("in-place"), path, "--at", "0x10004000").return_value == 1


def test_missing_emulator_names_the_extra(image: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the emulator the error says what to install."""
    hidden = "import sys; sys.modules['unicorn'] = None; "
    monkeypatch.setattr(session, "CHILD", hidden + session.CHILD)
    done = rehearse(layout_file("in-place"), image)
    assert isinstance(done.exception, ExtraMissing)
    assert "pip install 'gemel[rehearse]'" in str(done.exception)
    assert done.exception.exit_code == 2


def test_emulator_of_an_unknown_version_names_the_extra(monkeypatch: pytest.MonkeyPatch) -> None:
    """A library in which the counters are not found is refused as a missing one is, with what was found."""
    monkeypatch.setattr(native, "_SEARCHED", 8)
    monkeypatch.setattr(native.Native, "counters_at", None)
    with pytest.raises(ExtraMissing) as raised:
        gauge("in-place").rehearse()
    assert "gemel[rehearse]" in str(raised.value)
    assert "counters" in str(raised.value)


def test_names_of_another_build_are_left_out_or_doubted(image: Path, tmp_path: Path) -> None:
    """A build of another build id on the layout's path is left out; one that is given is used, with a remark."""
    other = BUILT / "in-place" / "sampler-misplaced.elf"
    layout = tmp_path / "layout.toml"
    text = layout_file("in-place").read_text(encoding="utf-8")
    layout.write_text(
        text.replace("[build.sampler]", '[build.sampler]\npath = "sampler.elf"'), encoding="utf-8"
    )
    (tmp_path / "sampler.elf").write_bytes(other.read_bytes())
    done = rehearse(layout, image)
    assert done.return_value == 0
    assert "build sampler is left out: the image was joined from another build" in " ".join(
        done.stderr.split()
    )
    assert "sampler: not given" in done.stdout
    done = rehearse(layout_file("in-place"), image, f"sampler={other}")
    assert "symbols of build sampler may be wrong" in " ".join(done.stderr.split())
    assert "remark" not in rehearse(layout_file("in-place"), image, *BUILDS).stderr


def test_seal_is_verified_with_the_keys_of_the_layout(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """What is rehearsed is named as a check names it: whose seal it is, verified where the layout trusts a key."""
    monkeypatch.chdir(tmp_path)
    text = layout_text(ROOM, '\n[seal]\narea = "seal"\ntrust = ["old.pem"]\n')
    Path("small.toml").write_text(text, encoding="utf-8")
    read = read_layout(text.encode(), "small.toml")
    Path("tide.hex").write_bytes(b"".join(intel_hex.encode(sealed(OLD, read=read), None)))
    for key, expected in ((OLD, ", verified"), (STRANGER, "NOT VERIFIED")):
        Path("old.pem").write_bytes(key.public_key.to_pem())
        exit_code(["rehearse", "small.toml", "tide.hex"])
        assert expected in capsys.readouterr().out


def test_the_verdict_says_that_a_seal_is_not_verified(image: Path, tmp_path: Path) -> None:
    """A sealed image passes with it where no key is trusted, as in a check; one without a seal does not have it."""
    key, layout, out = tmp_path / "key.pem", layout_file("in-place"), tmp_path / "sealed.hex"
    made = ["keys", "new", "Ed25519", "-o", str(key), "--public", str(tmp_path / "public.pem")]
    assert exit_code([*made, "--no-pass-phrase"]) == 0
    assert exit_code(["sign", str(layout), str(image), "--key", str(key), "-o", str(out)]) == 0
    assert " ".join(rehearse(layout, out).stdout.split()).endswith("instructions); NOT VERIFIED.")
    assert "NOT VERIFIED" not in rehearse(layout, image).stdout


def test_symbol_goal_without_its_build_is_refused(tmp_path: Path, image: Path) -> None:
    """A goal that names a symbol needs the build, and says so, with exit code 2."""
    layout = tmp_path / "layout.toml"
    text = layout_file("in-place").read_text(encoding="utf-8").split("\n[rehearsal]")[0]
    goal = '\n[[rehearsal.goal]]\ncore = "sampler"\nsymbol = "run_sampler"\n'
    layout.write_text(text + goal, encoding="utf-8")
    done = rehearse(layout, image)
    assert "sampler=FILE" in str(done.exception)
    assert getattr(done.exception, "exit_code", 0) == 2
    assert rehearse(layout, image, *BUILDS).return_value == 0
    layout.write_text(text + goal.replace("run_sampler", "run_samplr"), encoding="utf-8")
    assert "run_sampler" in str(rehearse(layout, image, *BUILDS).exception)


def test_serial_text_is_a_goal(tmp_path: Path, image: Path) -> None:
    """A rehearsal table with a text as goal ends when it is said."""
    layout = tmp_path / "layout.toml"
    text = layout_file("in-place").read_text(encoding="utf-8").split("\n[rehearsal]")[0]
    text += f"\n[[rehearsal.serial]]\nat = {SERIAL['in-place']:#x}\n"
    text += '\n[[rehearsal.goal]]\ncore = "station"\ntext = "frame 3: "\n'
    layout.write_text(text, encoding="utf-8")
    done = rehearse(layout, image)
    assert done.return_value == 0
    assert "frame 3: " in done.stdout
    assert "frame 6: " not in done.stdout
