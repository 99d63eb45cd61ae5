"""Join and sign hold what they seal to the layout's policy: trust, number of signers, pairs."""

from __future__ import annotations

from pathlib import Path

import pytest
from sealed_device import JOIN, REQUIRED, ROOMY, Run, seal_of, write_device, write_key

TRUST = 'trust = ["a-pub.pem", "b-pub.pem"]\n'
TWO = f"{REQUIRED}{TRUST}signers = 2\n"
PAIR = f"{REQUIRED}{TRUST}pair = true\n"


@pytest.fixture
def keys(device: Path) -> Path:
    """The device's folder with the Ed25519 keys ``a``, ``b`` and ``c``."""
    for name in "abc":
        write_key(device / f"{name}.pem")
    return device


def test_join_takes_the_layouts_trust(keys: Path, gemel: Run) -> None:
    """A key that the layout trusts seals; another one's image is not written, and the rule says why."""
    write_device(keys, REQUIRED + TRUST)
    assert gemel(*JOIN, "-o", "a.hex", "--key", "a.pem").code == 0
    assert gemel("check", "small.toml", "a.hex").code == 0
    ran = gemel(*JOIN, "-o", "c.hex", "--key", "c.pem")
    assert ran.code == 1
    assert "BROKEN seal-by-trusted-key" in ran.out
    assert not Path("c.hex").exists()


def test_without_trust_whoever_signs_is_trusted_for_the_joins_own_check(keys: Path, gemel: Run) -> None:
    """The layout leaves open whose seals are taken, so join seals; a check without --trust then fails."""
    assert gemel(*JOIN, "-o", "c.hex", "--key", "c.pem").code == 0
    ran = gemel("check", "small.toml", "c.hex")
    assert ran.code == 1
    assert "BROKEN seal-by-trusted-key" in ran.out
    assert gemel("check", "small.toml", "c.hex", "--trust", "c-pub.pem").code == 0


def test_a_trust_file_that_is_missing_is_told_before_anything_is_asked(keys: Path, gemel: Run) -> None:
    """Join and sign need the layout's keys to judge what they write; without them nothing is signed."""
    assert gemel(*JOIN, "-o", "plain.hex", "--leave-unsealed").code == 0
    write_device(keys, f'{REQUIRED}trust = ["nowhere.pem"]\n')
    write_key(keys / "locked.pem", pass_phrase=b"phrase")
    for words in ((*JOIN, "-o", "x.hex"), ("sign", "small.toml", "plain.hex", "-o", "x.hex")):
        ran = gemel(*words, "--key", "locked.pem")
        assert ran.code == 2
        assert "nowhere.pem (trust in [seal] of small.toml)" in ran.err
        assert "pass phrase" not in ran.err
        assert not Path("x.hex").exists()


def test_join_with_fewer_signers_than_demanded_writes_nothing(keys: Path, gemel: Run) -> None:
    """One of two is refused before anything is signed; both together are taken, in any order."""
    write_device(keys, TWO)
    ran = gemel(*JOIN, "-o", "x.hex", "--key", "a.pem")
    assert ran.code == 2
    assert "2 signers" in ran.err
    assert not Path("x.hex").exists()
    assert gemel(*JOIN, "-o", "x.hex", "--key", "b.pem", "--key", "a.pem").code == 0


def test_two_signers_in_two_rooms(keys: Path, gemel: Run) -> None:
    """With --more-to-come the first seals alone and is told what is missing; the second adds and is done."""
    write_device(keys, TWO)
    assert gemel(*JOIN, "-o", "plain.hex", "--leave-unsealed").code == 0
    alone = ("sign", "small.toml", "plain.hex", "--key", "a.pem", "-o", "one.hex")
    assert gemel(*alone).code == 2
    assert not Path("one.hex").exists()
    first = gemel(*alone, "--more-to-come")
    assert first.code == 0
    assert "NOT ENOUGH SIGNERS YET: the layout demands 2 signers" in first.out
    assert gemel("check", "small.toml", "one.hex").code == 1
    second = gemel("sign", "small.toml", "one.hex", "--add", "--key", "b.pem", "-o", "two.hex")
    assert second.code == 0
    assert "NOT ENOUGH" not in second.out
    assert len(seal_of(keys / "two.hex").signers) == 2
    assert gemel("check", "small.toml", "two.hex").code == 0


def test_more_to_come_excuses_no_other_rule(keys: Path, gemel: Run) -> None:
    """An untrusted key's seal is not written, whoever is still to come."""
    write_device(keys, TWO)
    assert gemel(*JOIN, "-o", "plain.hex", "--leave-unsealed").code == 0
    ran = gemel("sign", "small.toml", "plain.hex", "--key", "c.pem", "--more-to-come", "-o", "x.hex")
    assert ran.code == 1
    assert "BROKEN seal-by-trusted-key" in ran.out


def test_more_to_come_does_not_go_with_handing_over(keys: Path, gemel: Run) -> None:
    """Bytes that are handed over are not an image with signers due."""
    assert gemel(*JOIN, "-o", "plain.hex", "--leave-unsealed").code == 0
    words = ("--to-be-signed", "x.tbs", "--public", "a-pub.pem", "--more-to-come")
    ran = gemel("sign", "small.toml", "plain.hex", *words)
    assert ran.code == 2
    assert "--more-to-come" in ran.err


def test_a_pair_is_sealed_and_checked(device: Path, gemel: Run) -> None:
    """A classical and an ML-DSA key make a pair; two classical ones do not, and that is told."""
    for name, algorithm in (("a", "ECDSA-P256"), ("b", "ML-DSA-65"), ("c", "Ed25519")):
        write_key(device / f"{name}.pem", algorithm)
    write_device(device, PAIR.replace("trust = [", 'trust = ["c-pub.pem", '), ROOMY)
    assert gemel(*JOIN, "-o", "pair.hex", "--key", "a.pem", "--key", "b.pem").code == 0
    assert gemel("check", "small.toml", "pair.hex").code == 0
    ran = gemel(*JOIN, "-o", "x.hex", "--key", "a.pem", "--key", "c.pem")
    assert ran.code == 2
    assert "an ML-DSA signature" in " ".join(ran.err.split())
    assert not Path("x.hex").exists()


def policy(folder: Path, text: str) -> tuple[str, str]:
    """The option with a policy file of this text."""
    (folder / "policy.toml").write_text(f"format = 1\n{text}", encoding="utf-8")
    return "--policy", "policy.toml"


@pytest.mark.parametrize("more", ["", "unwaivable = []\n", "signers = 1\n"])
def test_sign_holds_the_image_to_a_policy_of_ones_own(keys: Path, gemel: Run, more: str) -> None:
    """The layout leaves everything open and waives what it likes; the policy's keys, ids and counter decide."""
    waived = 'waive = [{ rule = "rest-digest-matches", where = "rest", reason = "r", until = 2027-06-30 }]\n'
    write_device(keys, f'\n[seal]\narea = "seal"\n[rules]\n{waived}')
    assert gemel(*JOIN, "-o", "plain.hex").code == 0
    sign = ("sign", "small.toml", "plain.hex", "-o", "x.hex")
    rules = {
        'trust = ["a-pub.pem"]\n': None,
        'trust = ["b-pub.pem"]\n': "seal-by-trusted-key",
        'trust = ["a-pub.pem"]\nproduct = "other"\n': "image-fits-policy",
        'trust = ["a-pub.pem"]\nrollback_at_least = 8\n': "image-fits-policy",
        'trust = ["a-pub.pem"]\nalgorithms = ["ECDSA-P256"]\n': "seal-algorithm-allowed",
    }
    for text, broken in rules.items():
        done = gemel(*sign, "--key", "a.pem", *policy(keys, text + more))
        assert done.code == (1 if broken else 0), (text, done.everything)
        assert not broken or f"BROKEN {broken}" in done.out
        if not broken:
            assert gemel("check", "small.toml", "x.hex", "--policy", "policy.toml").code == 0
            Path("x.hex").unlink()
        assert not Path("x.hex").exists()
    two = policy(keys, 'trust = ["a-pub.pem", "b-pub.pem"]\nsigners = 2\n')
    assert gemel(*sign, "--key", "a.pem", *two).code == 1
    assert gemel(*sign, "--key", "a.pem", "--key", "b.pem", *two).code == 0
    assert gemel(*sign, "--key", "a.pem", *policy(keys, "")).code == 2
    assert gemel(*sign, "--key", "a.pem", *policy(keys, ""), "--trust", "a-pub.pem").code == 0


def test_a_policy_keeps_the_bytes_of_an_image_from_being_handed_over(keys: Path, gemel: Run) -> None:
    """In two steps as in one: what the policy refuses is not even handed to the signing room."""
    assert gemel(*JOIN, "-o", "plain.hex", "--leave-unsealed").code == 0
    words = ("sign", "small.toml", "plain.hex", "--to-be-signed", "x.tbs", "--public", "a-pub.pem")
    done = gemel(*words, *policy(keys, 'trust = ["a-pub.pem"]\nproduct = "other"\n'))
    assert (done.code, Path("x.tbs").exists()) == (1, False)
    assert gemel(*words, *policy(keys, 'trust = ["a-pub.pem"]\n')).code == 0


def test_sign_with_trust_requires_a_seal_by_this_key(keys: Path, gemel: Run) -> None:
    """As `check --trust` does: a seal by another key is not written, and waivers in the layout change nothing."""
    waived = "".join(
        f'{{ rule = "{rule}", where = "seal", reason = "r", until = 2027-06-30 }},'
        for rule in ("seal-by-trusted-key", "seal-signers-sufficient", "seal-signers-known")
    )
    write_device(keys, f'\n[seal]\narea = "seal"\n[rules]\nwaive = [{waived}]\n')
    assert gemel(*JOIN, "-o", "plain.hex").code == 0
    sign = ("sign", "small.toml", "plain.hex", "-o", "x.hex", "--trust", "a-pub.pem")
    assert gemel(*sign, "--key", "c.pem").code == 1
    assert not Path("x.hex").exists()
    assert gemel(*sign, "--key", "a.pem").code == 0
    assert gemel(*sign, "--key", "a.pem", "--key", "c.pem").code == 1


def test_who_adds_to_a_seal_counts_beside_the_keys_that_stay(keys: Path, gemel: Run) -> None:
    """With --add, --trust says whose signatures are kept; another one's is not, and nothing is written."""
    write_device(keys, f"{REQUIRED}signers = 2\n")
    assert gemel(*JOIN, "-o", "plain.hex", "--leave-unsealed").code == 0
    first = ("sign", "small.toml", "plain.hex", "--key", "a.pem", "-o", "one.hex", "--more-to-come")
    assert gemel(*first).code == 0
    add = ("sign", "small.toml", "one.hex", "--add", "--key", "b.pem", "-o", "two.hex")
    assert gemel(*add, "--trust", "c-pub.pem").code == 2
    assert not Path("two.hex").exists()
    assert gemel(*add, "--trust", "a-pub.pem").code == 0
    write_device(keys, TWO)
    assert gemel(*add, "--trust", "a-pub.pem").code == 0


def test_join_holds_the_image_to_a_policy_of_ones_own(keys: Path, gemel: Run) -> None:
    """What check --policy refuses is not written, sealed or not; what it takes is, and no waiver speaks for it."""
    waived = "".join(
        f'{{ rule = "{rule}", where = "{where}", reason = "r", until = 2027-06-30 }},'
        for rule, where in (
            ("seal-present", "seal"),
            ("image-fits-policy", "policy"),
            ("version-as-asked", "version"),
        )
    )
    write_device(keys, f'\n[seal]\narea = "seal"\n[rules]\nwaive = [{waived}]\n')
    join = (*JOIN, "-o", "x.hex")
    ours = 'trust = ["a-pub.pem"]\n'
    for key, text, more, broken in (
        ((), ours, (), "seal-present"),
        ((), f'{ours}product = "other"\n', ("--leave-unsealed",), "image-fits-policy"),
        (("c.pem",), ours, (), "seal-by-trusted-key"),
        (("a.pem", "c.pem"), ours, (), "seal-signers-known"),
        (("a.pem",), f'{ours}product = "other"\n', (), "image-fits-policy"),
        (("a.pem",), f"{ours}rollback_at_least = 8\n", (), "image-fits-policy"),
        (("a.pem",), f'{ours}algorithms = ["ECDSA-P256"]\n', (), "seal-algorithm-allowed"),
        (("a.pem",), f"{ours}signers = 2\n", (), "seal-signers-sufficient"),
        (("a.pem",), ours, (), None),
        ((), ours, ("--leave-unsealed",), None),
    ):
        signed = [word for name in key for word in ("--key", name)]
        done = gemel(*join, *signed, *more, *policy(keys, text))
        assert done.code == (1 if broken else 0), (text, done.everything)
        assert not broken or f"BROKEN {broken}" in done.out, (text, done.out)
        assert Path("x.hex").exists() == (not broken)
        if not broken:
            assert gemel("check", "small.toml", "x.hex", *policy(keys, ours)).code == (0 if key else 1)
            Path("x.hex").unlink()
    assert gemel(*join, "--key", "a.pem", *policy(keys, "")).code == 2, "a policy without a key"
    assert gemel(*join, "--key", "a.pem", "--policy", "x.hex", "--leave-unsealed").code == 2
