"""``gemel join --key``: the seal comes last, in its area, and nothing is written that may not be."""

from __future__ import annotations

import shlex
from pathlib import Path

import pytest
import small_device
from sealed_device import (
    ALGORITHMS,
    JOIN,
    REQUIRED,
    ROOMY,
    SEAL,
    Run,
    public_of,
    read_image,
    record_of,
    seal_of,
    write_device,
    write_key,
)

from gemel.image.sparse import SparseBytes
from gemel.seals.keys.algorithms import algorithm_named
from gemel.seals.seal import SealFault, SignatureOutcome, seal_size, verify
from gemel.spans import Span

OUT = ("-o", "tide.hex")


def algorithm(name: str):
    """The algorithm of that name."""
    found = algorithm_named(name)
    assert found is not None
    return found


def roomy(folder: Path) -> None:
    """The device with 8 KiB for the seal."""
    text = {old: new.replace('size = "4 KiB"', 'size = "8 KiB"') for old, new in ROOMY.items()}
    write_device(folder, replace=text)


@pytest.mark.parametrize("name", ALGORITHMS)
def test_each_algorithm_seals(device: Path, gemel: Run, name: str) -> None:
    """With a key of each algorithm the image is sealed, the signature holds, and stdout names the key."""
    roomy(device)
    key = write_key(device / "key.pem", name)
    done = gemel(*JOIN, *OUT, "--key", "key.pem")
    assert done.code == 0, done.err
    found = verify(seal_of(device / "tide.hex"), record_of(device / "tide.hex"), [key.public_key])
    assert [verdict.outcome for verdict in found] == [SignatureOutcome.GOOD]
    assert f"\n  {name}\n    key {key.public_key.fingerprint.hex()}\n" in done.out
    assert "NOT SEALED" not in done.out


def test_the_seal_changes_its_area_and_no_other_byte(device: Path, gemel: Run) -> None:
    """Sealed and unsealed differ in the seal's area alone, which holds whole write units, the rest erased."""
    write_key(device / "key.pem")
    assert gemel(*JOIN, "-o", "plain.hex", "--leave-unsealed").code == 0
    assert gemel(*JOIN, "-o", "sealed.hex", "--key", "key.pem").code == 0
    plain, sealed = read_image(device / "plain.hex"), read_image(device / "sealed.hex")
    area = Span(small_device.SEAL, 0x400)
    size = seal_size([algorithm("Ed25519")])
    assert plain.held_in(area) == []
    assert sealed.held_in(area) == [Span(area.start, -(-size // 8) * 8)]
    assert sealed.read(Span(area.start + size, 0x400 - size), 0xFF) == b"\xff" * (0x400 - size)
    sealed.erase(area)
    assert sealed == plain


def test_several_signers_in_any_order(device: Path, gemel: Run) -> None:
    """Two deterministic keys given in either order give the same bytes, and both hold."""
    keys = [write_key(device / "one.pem"), write_key(device / "two.pem", "ECDSA-P256")]
    for name, order in (("a.hex", ("one.pem", "two.pem")), ("b.hex", ("two.pem", "one.pem"))):
        assert gemel(*JOIN, "-o", name, *(word for key in order for word in ("--key", key))).code == 0
    assert Path("a.hex").read_bytes() == Path("b.hex").read_bytes()
    trusted = [key.public_key for key in keys]
    found = verify(seal_of(device / "a.hex"), record_of(device / "a.hex"), trusted)
    assert [verdict.good for verdict in found] == [True, True]


def test_a_classical_and_a_quantum_safe_signer(device: Path, gemel: Run) -> None:
    """A pair of ECDSA and ML-DSA makes one seal of two signers that both hold."""
    roomy(device)
    keys = [write_key(device / "one.pem", "ECDSA-P384"), write_key(device / "two.pem", "ML-DSA-65")]
    assert gemel(*JOIN, *OUT, "--key", "one.pem", "--key", "two.pem").code == 0
    found = verify(seal_of(device / "tide.hex"), record_of(device / "tide.hex"), [k.public_key for k in keys])
    assert [verdict.outcome for verdict in found] == [SignatureOutcome.GOOD] * 2


def test_the_same_inputs_give_the_same_sealed_bytes(device: Path, gemel: Run) -> None:
    """Ed25519 and ECDSA are deterministic: two joins write the same files."""
    for name in ("Ed25519", "ECDSA-P256", "ECDSA-P384"):
        write_key(device / f"{name}.pem", name)
        images = []
        for _ in range(2):
            assert gemel(*JOIN, *OUT, "--key", f"{name}.pem").code == 0
            images.append(Path("tide.hex").read_bytes())
        assert images[0] == images[1]


def test_every_format_carries_the_seal(device: Path, gemel: Run) -> None:
    """HEX, S-record and raw binary of one join hold the same seal."""
    write_key(device / "key.pem")
    words = ("-o", "a.hex", "-o", "a.srec", "-o", "a.bin")
    assert gemel(*JOIN, *words, "--key", "key.pem").code == 0
    for name in ("a.hex", "a.srec", "a.bin"):
        again = gemel("sign", "small.toml", name, "--key", "key.pem", "--add", "--trust", "key-pub.pem", *OUT)
        assert again.code == 0, again.err
        assert seal_of(device / "tide.hex") == seal_of(device / "a.hex")


def refused(device: Path, gemel: Run, code: int, *words: str) -> str:
    """The errors of a join that writes nothing."""
    before = sorted(path.name for path in device.iterdir())
    done = gemel(*JOIN, *OUT, *words)
    assert done.code == code, done.everything
    assert sorted(path.name for path in device.iterdir()) == before
    assert "fault in gemel" not in done.err
    return done.err


def test_a_required_seal_without_a_key(device: Path, gemel: Run) -> None:
    """Where the layout requires a seal and no key is given, join ends with 2 and says both ways on."""
    said = refused(device, gemel, 2)
    assert "--key KEY" in said
    assert "--leave-unsealed" in said
    assert "gemel sign" in said


def test_a_release_without_its_key_is_led_to_no_option_of_its_own_that_is_none(
    device: Path, gemel: Run
) -> None:
    """``--leave-unsealed`` is an option of join alone, and is named with it."""
    done = gemel("release", *JOIN[1:], "-o", "out")
    assert (done.code, "--key KEY, or gemel join --leave-unsealed" in " ".join(done.err.split())) == (2, True)


def test_left_unsealed_is_said_aloud(device: Path, gemel: Run) -> None:
    """With ``--leave-unsealed`` the image is written without a seal, and stdout says NOT SEALED."""
    done = gemel(*JOIN, *OUT, "--leave-unsealed")
    assert done.code == 0
    assert "NOT SEALED" in done.out
    assert read_image(device / "tide.hex").held_in(Span(small_device.SEAL, 0x400)) == []


def test_an_optional_seal_left_out_is_said_too(device: Path, gemel: Run) -> None:
    """A layout with a seal that is not required joins without a key, and stdout says NOT SEALED."""
    write_device(device, SEAL)
    done = gemel(*JOIN, *OUT)
    assert (done.code, "NOT SEALED" in done.out) == (0, True)


@pytest.mark.parametrize(
    ("output", "options"),
    [
        ("tide.hex", ()),
        ("my tide.srec", ("--version", "2.0.1", "--rollback", "9")),
        ("tide", ("--as", "hex")),
    ],
)
def test_the_command_that_seals_is_printed_whole(device, gemel, output, options) -> None:
    """The line after NOT SEALED runs as it is printed, but for the names of the key and of the sealed image."""
    write_key(device / "key.pem")
    done = gemel(*JOIN, "-o", output, *options, "--leave-unsealed")
    (line,) = [each.strip() for each in done.out.splitlines() if each.startswith("  gemel sign ")]
    words = shlex.split(line.replace("KEY.pem", "key.pem"))
    signed = gemel(*words[1:])
    assert signed.code == 0, signed.err
    assert Path(f"SEALED{Path(output).suffix}").is_file()


def test_without_a_seal_in_the_layout_nothing_is_said_of_it(device: Path, gemel: Run) -> None:
    """A layout without [seal] joins as ever, and no seal is missed."""
    write_device(device, "")
    done = gemel(*JOIN, *OUT)
    assert (done.code, "NOT SEALED" in done.out) == (0, False)
    assert "signed    no seal in the layout" in done.out


def test_sealed_and_unsealed_at_once(device: Path, gemel: Run) -> None:
    """``--key`` and ``--leave-unsealed`` do not go together."""
    write_key(device / "key.pem")
    assert "one of them" in refused(device, gemel, 2, "--key", "key.pem", "--leave-unsealed")


def test_a_layout_without_a_place_for_the_seal(device: Path, gemel: Run) -> None:
    """A key for a layout without [seal] is an error that says how to add one."""
    write_device(device, "")
    write_key(device / "key.pem")
    said = refused(device, gemel, 2, "--key", "key.pem")
    assert "no place for a seal" in said
    assert "[seal]" in said


def test_a_layout_without_a_record(device: Path, gemel: Run) -> None:
    """A key for a layout with a seal and no record is an error: there is nothing to seal."""
    record = '[record]\narea = "record"\nvendor = "harbour.example"\nclass = "small device"\n'
    write_device(device, SEAL, {record: ""})
    write_key(device / "key.pem")
    assert "no record" in refused(device, gemel, 2, "--key", "key.pem")


@pytest.mark.parametrize("names", [("ML-DSA-65",), ("RSA-4096-PSS", "RSA-3072-PSS", "ECDSA-P384")])
def test_an_area_that_is_too_small(device: Path, gemel: Run, names: tuple[str, ...]) -> None:
    """Where the signers do not fit into the area, the error says how many bytes they need."""
    words = []
    for name in names:
        write_key(device / f"{name}.pem", name)
        words += ["--key", f"{name}.pem"]
    said = refused(device, gemel, 2, *words)
    assert SealFault.NO_ROOM.value in said
    assert f"{seal_size(map(algorithm, names)):,} bytes" in said


def test_the_room_is_looked_at_before_anything_is_asked(device: Path, gemel: Run) -> None:
    """What plain key files need is known, and told, before the pass phrase of another key is asked for."""
    write_key(device / "large.pem", "ML-DSA-65")
    write_key(device / "locked.pem", "Ed25519", b"phrase")
    said = refused(device, gemel, 2, "--key", "large.pem", "--key", "locked.pem")
    assert SealFault.NO_ROOM.value in said
    assert "pass phrase" not in said


def test_the_room_is_looked_at_before_anything_is_signed(
    device: Path, gemel: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What an encrypted key needs is known when it is open; where it does not fit, it signs nothing."""
    write_key(device / "locked.pem", "ML-DSA-65", b"phrase")
    monkeypatch.setenv("PHRASE", "phrase")
    monkeypatch.setattr("gemel.seals.keys.keys.PrivateKey.sign", lambda *_: pytest.fail("it signed"))
    said = refused(device, gemel, 2, "--key", "locked.pem", "--pass-phrase-env", "PHRASE")
    assert SealFault.NO_ROOM.value in said


def test_an_algorithm_that_the_layout_does_not_allow(device: Path, gemel: Run) -> None:
    """A key of another algorithm than the layout allows ends with 1; an allowed one seals."""
    write_device(device, REQUIRED + 'algorithms = ["ECDSA-P256"]\n')
    write_key(device / "one.pem")
    write_key(device / "two.pem", "ECDSA-P256")
    said = refused(device, gemel, 2, "--key", "one.pem")
    assert "Ed25519" in said
    assert "ECDSA-P256 (algorithms in [seal])" in said
    assert gemel(*JOIN, *OUT, "--key", "two.pem").code == 0


def test_a_broken_image_is_not_signed(device: Path, gemel: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where a rule is broken no pass phrase is asked for, nothing is signed and nothing written."""
    write_key(device / "locked.pem", "Ed25519", b"phrase")
    Path("station.elf").write_bytes(small_device.station_elf(boot_constant=small_device.SAMPLER + 0x80))
    monkeypatch.setattr("gemel.seals.keys.keys.PrivateKey.sign", lambda *_: pytest.fail("it signed"))
    before = sorted(path.name for path in device.iterdir())
    done = gemel(*JOIN, *OUT, "--key", "locked.pem")
    assert done.code == 1
    assert "BROKEN boot-constant-agrees" in done.out
    assert "pass phrase" not in done.err
    assert sorted(path.name for path in device.iterdir()) == before


def test_the_same_key_twice(device: Path, gemel: Run) -> None:
    """One key given by two files is told, and nothing is signed."""
    write_key(device / "key.pem")
    Path("copy.pem").touch(0o600)
    Path("copy.pem").write_bytes(Path("key.pem").read_bytes())
    assert "a key is given twice" in refused(device, gemel, 2, "--key", "key.pem", "--key", "copy.pem")


def test_every_key_that_cannot_be_had_is_told(device: Path, gemel: Run) -> None:
    """A key that is not there, a public one and a damaged one are three errors of one run."""
    write_key(device / "key.pem")
    Path("text.pem").touch(0o600)
    Path("text.pem").write_text("no key")
    words = [word for name in ("none.pem", "key-pub.pem", "text.pem") for word in ("--key", name)]
    said = refused(device, gemel, 2, *words)
    assert said.count("error: ") == 3
    assert "a public key where a private one is expected" in said


def test_a_key_file_is_no_output(device: Path, gemel: Run) -> None:
    """An output that is the key's own file is refused: the key stays."""
    write_key(device / "key.bin")
    before = Path("key.bin").read_bytes()
    assert gemel(*JOIN, "-o", "key.bin", "--key", "key.bin").code == 2
    assert Path("key.bin").read_bytes() == before


def test_the_record_is_what_is_signed(device: Path, gemel: Run) -> None:
    """Another version of the same builds has another record, over which the first seal does not hold."""
    write_key(device / "key.pem")
    gemel(*JOIN, "-o", "a.hex", "--key", "key.pem")
    gemel(*JOIN, "-o", "b.hex", "--key", "key.pem", "--version", "9.9.9")
    trusted = [public_of(device / "key-pub.pem")]
    found = verify(seal_of(device / "a.hex"), record_of(device / "b.hex"), trusted)
    assert [verdict.outcome for verdict in found] == [SignatureOutcome.BAD_SIGNATURE]


def test_an_image_unchanged_when_a_signer_fails(device: Path) -> None:
    """A signer that fails, or whose signature does not hold, leaves the image in memory as it was."""
    from gemel.seals.keys.keys import new_private_key
    from gemel.seals.seal import SealError
    from gemel.seals.sealing import seal

    read = small_device.layout(add=SEAL)
    joined = small_device.joined(read)
    before: SparseBytes = joined.image.copy()
    key = new_private_key("Ed25519")

    class Broken:
        """Signs with another key than it says."""

        algorithm, public_key = key.algorithm, key.public_key

        def sign(self, data: bytes) -> bytes:
            return new_private_key("Ed25519").sign(data)

    with pytest.raises(SealError) as caught:
        seal(read.layout, joined.image, [Broken()])
    assert caught.value.faults == (SealFault.BAD_SIGNATURE,)
    assert joined.image == before
