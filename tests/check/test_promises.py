"""Every sentence of README and of the pages on record, seal and policy that promises something, beside its test.

A sentence that promises anew, or promises something else, is missing here; so is a test that was renamed.  Sentences
are found again by their words, so that a synonym does not count.
"""

from __future__ import annotations

import re
from difflib import SequenceMatcher
from functools import cache
from itertools import pairwise
from pathlib import Path

import pytest
from records import tide_gauge_record, with_crc
from seal_keys import key_for
from small_device import layout_text

from gemel.layout.reader import LayoutError, read_layout
from gemel.policy.page import page as policy_page
from gemel.record import page as record_page
from gemel.record.format import BUILD, HEADER
from gemel.record.record import decode, encode
from gemel.seals import page as seal_page
from gemel.seals.seal import make_seal, read_seal, verify
from gemel.seals.sealing import signatures_by

ROOT = Path(__file__).resolve().parents[2]
PROMISING = re.compile(
    r"\b(every|nothing|refuse[sd]?|only|never|cannot|whatever|whole|exactly|covers?|answered|neither|none)\b",
    re.I,
)
HERE = "check/test_promises.py"
SEAL_POLICY, RECEIVER = "check/test_seal_policy.py", "check/test_receiver_policy.py"
SEALED, BOOT = "check/test_every_byte_sealed.py", "export/test_boot_check.py"

SEAL = {
    "The record holds digests of every byte of the flash outside the record itself, the seal's area and those areas "
    "that an image must leave alone, so one signature over the record covers the whole image (`gemel explain "
    "record`).": f"{SEALED}::test_every_single_changed_byte_of_flash_is_found",
    "The encoding is the deterministic one of RFC 8949 4.2.1 and a reader takes no other: shortest lengths, no "
    "indefinite ones, keys ascending.": "seals/test_cbor.py::test_other_encodings_are_refused",
    "Signers stand in ascending order of their protected headers, and no key signs twice.": (
        "seals/test_seal.py::test_each_fault_is_told_by_its_name"
    ),
    "So the bytes of a seal follow from its signatures, and a change of any of them is found (but for the second form "
    "of an ECDSA signature, see Cautions).": f"{SEALED}::test_every_flipped_bit_of_the_seals_area_is_found",
    "Each signer signs the Sig_structure of RFC 9052 4.4, and nothing else: the context, the protected headers of seal "
    "and signer, no external data, and the record.": (
        "seals/test_seal_page.py::test_the_diagrams_are_those_of_a_real_seal"
    ),
    "The content type is among the signed bytes: what the same key signs elsewhere is never a seal.": (
        "seals/test_seal.py::test_a_signature_over_anything_else_is_no_seal"
    ),
    "So are the algorithm and the key's fingerprint: a signature cannot be passed off as that of another algorithm or "
    "key.": "seals/test_seal.py::test_an_algorithm_that_is_not_the_keys_is_told",
    "Each COSE id here stands for one algorithm with one size of key, so a signer leaves nothing open.": (
        "seals/keys/test_signature_algorithms.py::test_names_and_identifiers_are_each_of_one_algorithm"
    ),
    "SHA-256 of the public key as SubjectPublicKeyInfo in DER (RFC 5280 4.1.2.7; EC points uncompressed, RSA as "
    "rsaEncryption), 32 bytes.": "seal_cli/test_keys.py::test_show_tells_the_fingerprint_that_openssl_tells",
    "ECDSA signatures are r and s, each as long as the curve's order, one after the other (RFC 9053 2.1), not DER.": (
        "seals/test_seal_independent.py::test_plain_libraries_verify_our_seals_over_a_structure_of_their_own"
    ),
    "Ed25519 is the pure one and signs the whole Sig_structure.": (
        "seals/test_seal_independent.py::test_a_signing_room_with_openssl_alone_makes_a_seal"
    ),
    "PSS takes the named hash for the digest and the mask, and a salt as long as the hash.": (
        "seals/keys/test_signature_vectors.py::test_pss_takes_the_salt_of_its_hash_and_no_other"
    ),
    "ML-DSA is the pure one with an empty context, hedged.": (
        "seals/test_ml_dsa_examples.py::test_the_signature_holds_and_no_changed_one_does"
    ),
    "gemel signs with Ed25519 and ECDSA (RFC 6979) so that the same record and key give the same bytes; PSS and ML-DSA "
    "signatures differ each time, and so do images sealed with them.": (
        "seals/keys/test_signature_vectors.py::test_sizes_and_sameness_are_as_the_registry_says"
    ),
    "Refuse a seal with a signature of a known key that does not hold, or with more signers of unknown keys than its "
    "policy allows: none, as a rule.": f"{BOOT}::test_foreign_bytes_as_an_unknown_signer_are_refused",
    "Demand as many good signatures as its policy says; where a classical and an ML-DSA signature are due, both.": (
        f"{BOOT}::test_a_pair"
    ),
    "Signers stand side by side and do not vouch for each other: whoever can write the image can take one away, and "
    "only a reader that demands both finds it missing.": (
        f"{SEAL_POLICY}::test_an_image_stripped_of_one_signature_of_a_pair_is_refused"
    ),
    "A signer counts when its key is trusted, its algorithm is allowed and is the key's, and its signature holds; each "
    "key counts once.": "check/rules/test_seal_signers_sufficient.py::test_what_is_missing_is_told",
    "`signers` counts keys: two classical keys are two, so a pair is asked for by name.": (
        f"{SEAL_POLICY}::test_two_old_and_new_classical_keys_do_not_make_a_pair"
    ),
    "A signer whose key nobody knows is refused: its signature can be any bytes at all.": (
        "check/rules/test_seal_signers_known.py::test_the_finding_says_how_many_bytes_nobody_verified"
    ),
    "With no key to trust nothing is verified, and an image whose seal is required does not pass.": (
        f"{SEAL_POLICY}::test_checking_with_no_trusted_key_fails_when_the_seal_is_required"
    ),
    "None of these keys is in the layout's digest, so that a key can be withdrawn without joining every older image "
    "again.": "seals/test_seal_demands.py::test_whose_seals_are_taken_is_not_in_the_layouts_digest",
    "Who receives an image with its layout demands more on the command line: `gemel check --trust KEY` requires a "
    "sound seal by this key, whatever the layout says; it narrows the layout's trust, and gives it where the layout "
    "names no key.": f"{RECEIVER}::test_a_named_key_requires_a_seal",
    "`--policy FILE` does the same with a file of the receiver's own (`gemel explain policy`).": (
        f"{RECEIVER}::test_no_waiver_lets_another_keys_seal_pass"
    ),
    "Wherever a seal is demanded, by layout or receiver, no rule that guards the image (`gemel explain RULE` says "
    "which do) can be waived or made less severe.": f"{RECEIVER}::test_no_severity_lets_changed_bytes_pass",
    "That someone who could use the private key signed this record, byte for byte.": (
        "seals/test_seal_corrupted.py::test_every_changed_byte_of_the_record_is_found"
    ),
    "With the record's digests, which a check by the layout compares: that the image is that one, whole, with nothing "
    "added; that its addresses, version, rollback counter, vendor and class are the signed ones.": (
        f"{SEALED}::test_whatever_is_written_over_it_is_found_unless_it_says_the_same"
    ),
    "The seal is in no digest, so both are one version with one record.": (
        "seal_cli/test_rotation.py::test_sealed_with_both_for_devices_of_either_age"
    ),
    "Then one file with both signatures serves both ages; the price is room for one signature of any bytes, which "
    "nobody verifies.": f"{BOOT}::test_rotation",
    "A device that never gets step 1 takes nothing signed by the new key alone.": f"{BOOT}::test_rotation",
    "A signing room needs neither the image nor its layout.": (
        "seal_cli/test_not_blind.py::test_the_request_says_what_is_signed"
    ),
    "gemel takes ECDSA signatures in DER too, and verifies each signature before it writes it into a seal.": (
        "seal_cli/test_signing_room.py::test_a_wrong_signature_is_not_written"
    ),
    "ECDSA has, for each signature, a second one that holds too (r, n - s).": (
        f"{HERE}::test_the_second_form_of_an_ecdsa_signature_holds"
    ),
}
SEAL_PLAIN = (
    "A private key file on a build machine can be copied by",
    "When every device trusts the new key:",
    "A signature that holds says nothing before step 5 is done.",
    "no seal: every byte of the area is erased",
    "a signer's algorithm is none of a seal's",
    "Read the seal; refuse whatever is not exactly the form above.",
    "That the image is the newest: only a reader that compares the rollback counter knows.",
    "That nobody reads the image: nothing is encrypted.",
    "While devices in the field know only the old key, serve both ages:",
    "A signature is only as good as the code that verifies it",
    "If either can be overwritten, nothing here helps.",
    "Stateful hash-based schemes (LMS, XMSS) are left out:",
    "`answered`: by the seal and a reader that does the steps above;",
    "none: all of those above",
)
ANSWERED = {
    "IMG.INCOMPATIBLE": f"{BOOT}::test_an_image_for_another_device_is_refused",
    "IMG.FORMAT": "record/test_record.py::test_newer_format_is_refused_in_words",
    "IMG.LOCATION": f"{BOOT}::test_bad_images_are_refused_and_said_why",
    "NET.REDIRECT": f"{SEAL_POLICY}::test_an_image_whose_seal_was_replaced_by_another_valid_one_is_refused",
    "NET.ONPATH": f"{BOOT}::test_single_changed_bytes_are_found_as_gemel_finds_them",
    "IMG.NON_AUTH": f"{SEAL_POLICY}::test_an_unsigned_image_where_one_is_due_never_passes",
    "MFST.OVERRIDE": "seals/test_seal_corrupted.py::test_every_changed_byte_of_the_record_is_found",
    "IMG.EXTRA": f"{BOOT}::test_bad_images_are_refused_and_said_why",
}
RECORD = {
    "The entries stand in ascending order of stored_start, whatever the order of the builds in the layout: the same "
    "builds give the same record.": "record/test_record_page.py::test_tells_the_order_of_entries_that_join_keeps",
    "A reader refuses no other order.": f"{HERE}::test_a_reader_takes_entries_in_any_order",
    "Every number is little-endian, every field naturally aligned, and the record starts at an address that is a "
    "multiple of 4: C code may lay a struct over it.": f"{HERE}::test_fields_are_naturally_aligned",
    "Reserved bytes are zero, and a reader refuses others.": "record/test_record.py::test_forged_records_are_refused",
    "The rest of the flash: every byte of the layout's flash memories that lies outside the stored spans of the "
    "builds, the record's own bytes, the seal's area and the areas of purpose `reserved` and `settings`, by ascending "
    "address, each memory to its end.": "check/rules/test_rest_digest_matches.py::test_the_digest_is_that_of_hashlib",
    "Bytes that nothing wrote count as the erased byte of their memory.": (
        "check/rules/test_rest_digest_matches.py::test_two_banks_that_touch_keep_their_own_erased_bytes"
    ),
    "Bytes in it that nothing wrote count as the erased byte of their memory.": (
        "check/test_every_byte.py::test_every_byte_that_is_taken_away_is_found"
    ),
    "So data that is in the image but in no build cannot change unseen, and neither can bytes that should have been "
    "left erased (RFC 9124 4.3.15).": "check/test_every_byte.py::test_every_changed_byte_of_flash_is_found",
    "The seal's area is held by the form of the seal: whatever is not the seal is erased.": (
        f"{SEALED}::test_every_flipped_bit_of_the_seals_area_is_found"
    ),
    "A reserved area is what the device has from elsewhere, or in `settings` writes, and no digest covers it: an image "
    "must not name a byte in it (rule `reserved-areas-untouched`), and on the device nothing here protects it.": (
        "check/rules/test_reserved_areas_untouched.py::test_the_finding_counts_bytes_and_names_the_build"
    ),
    "The layout: its parsed TOML as JSON in UTF-8 with sorted keys and no white space, sizes and offsets as numbers of "
    'bytes ("4 KiB" is 4096), less keys with their default value (`gemel explain layout`), and less what says where a '
    "file lies and how an image is judged: every build's `path`, the tables `rules` and `rehearsal`, and of `seal` all "
    "but its area.": "record/test_record_page.py::test_names_every_key_that_the_layout_s_digest_leaves_out",
    "Comments and the order of keys do not change it.": (
        "check/rules/test_record_of_this_layout.py::test_a_changed_comment_is_the_same_layout"
    ),
    "The last four bytes are the CRC-32/ISO-HDLC of every byte of the record before them (width 32, polynomial "
    '0x04C11DB7, start 0xFFFFFFFF, input and output reflected, result inverted; "123456789" gives 0xCBF43926), as a '
    "u32.": "record/test_record.py::test_crc_is_iso_hdlc",
    "The record covers itself with its CRC, and the seal, where there is one, signs the record's bytes from the mark "
    "to the CRC.": "seals/test_seal.py::test_bytes_to_sign_are_what_is_signed_and_end_with_the_record",
    "As the record holds a digest of the builds and of the rest, that one signature covers them too.": (
        f"{SEALED}::test_every_single_byte_that_is_taken_away_is_found"
    ),
    "It is not a safety approval, and it does not show who made the image: anyone can change a record and recompute "
    "its CRC.": f"{BOOT}::test_bad_images_are_refused_and_said_why",
}
RECORD_PLAIN = (
    "a core's role is neither primary nor secondary",
    "10. a build's span",
    "UUID of who makes the device;",
    "UUID of the kind of device",
    "Bytes of the whole record:",
    "Rollback counter: a device refuses an image",
)
POLICY = {
    "It only narrows: what the layout refuses stays refused.": f"{RECEIVER}::test_a_policy_only_narrows",
    "a seal is required, whatever the layout says, by a key that the policy trusts (or that --trust gives) and the "
    "layout, where it names keys, trusts too;": f"{RECEIVER}::test_keys_of_policy_and_layout",
    "no waiver and no changed severity of the layout is taken for a rule that guards the image (`gemel explain RULE` "
    "says which), nor for one that the policy keeps: every rule that is an error, unless `unwaivable` names them;": (
        f"{RECEIVER}::test_a_policy_keeps_every_error_unless_it_names_some"
    ),
    "the record must say what the policy demands of it.": "check/test_policy_alone.py::test_the_policy_is_held_to",
    "`gemel sign`, `join` and `release` write nothing that the policy refuses": (
        "seal_cli/test_policy_at_signing.py::test_join_holds_the_image_to_a_policy_of_ones_own"
    ),
    "Without a layout, `gemel check --policy FILE IMAGE` verifies what needs none: the record in the image, the seal "
    "over it, the digest of every build,": "check/test_policy_alone.py::test_what_is_not_as_it_was_sealed_is_refused",
    "and that a start address in the file is a reset handler of the primary.": (
        "check/test_policy_alone.py::test_the_start_address_is_a_reset_handler"
    ),
    "Bytes outside the builds are not checked then, and the report says so.": (
        "check/test_policy_alone.py::test_a_sealed_image_passes_and_says_what_was_not_checked"
    ),
}
POLICY_PLAIN = (
    "A policy is read by people before a release: keep it under review,",
    "absent: all that the layout allows",
    "absent: every rule",
    "only those given there",
)
README = {
    "`gemel COMMAND --help` explains each, with an example that runs.": (
        "test_readme.py::test_the_examples_in_the_helps_run"
    ),
    "Every command takes its words in one order, `[LAYOUT] IMAGE [NAME=BUILD ...]`.": (
        "cli/test_declared.py::test_lines_in_order_are_read_as_by_click"
    ),
    "`--strict` fails on warnings too, `--strict=inputs` also on what could not be checked for want of a build, key or "
    "symbol; `--quiet` prints nothing where no rule is broken, and no warnings either.": (
        "cli/test_one_shape.py::test_quiet"
    ),
    "Exit codes, everywhere: **0** all holds; **1** a rule is broken (the findings were printed); **2** the work could "
    "not be done: wrong usage, unreadable or malformed input, a layout error; a command that was stopped by a signal "
    "ends with 128 and its number.": "reliability/test_abuse.py::test_abuse",
    "On 1 and 2 no image is created or changed; report files are written, and say which it was.": (
        "cli/test_one_shape.py::test_report_files_say_that_there_is_no_result"
    ),
    "Results go to stdout, everything else to stderr; `gemel -v COMMAND ...` shows the cause after an error.": (
        "cli/test_one_shape.py::test_stdin_and_stdout"
    ),
    "Colour is used only on a terminal and never as the only sign: `--color`, `NO_COLOR` and `FORCE_COLOR` decide.": (
        "cli/test_one_shape.py::test_colour"
    ),
    "Checksums and the record's CRC guard against accident, not against intent: whoever changes an image can recompute "
    "them.": f"{BOOT}::test_bad_images_are_refused_and_said_why",
}
README_PLAIN = (
    "`gemel explain examples` goes through every command",
    "`gemel explain layout` lists every key.",
)


def _readme() -> str:
    """The parts of the README that promise: from the commands on."""
    text = (ROOT / "README.md").read_text("utf-8")
    return text[text.index("`gemel COMMAND --help`") :]


PAGES = {
    "seal": (seal_page.page, SEAL, SEAL_PLAIN),
    "record": (record_page.page, RECORD, RECORD_PLAIN),
    "policy": (policy_page, POLICY, POLICY_PLAIN),
    "README": (_readme, README, README_PLAIN),
}


def flat(text: str) -> str:
    """The text on one line."""
    return " ".join(text.split())


def sentences(text: str) -> list[str]:
    """The sentences of a page's prose: what stands in paragraphs, less examples, tables and titles."""
    found = []
    for paragraph in re.split(r"\n\s*\n|\n(?=- |\d+\. )", text):
        lines = [line for line in paragraph.splitlines() if not line.startswith(("    ", "0x", "|"))]
        titles = {above for above, below in pairwise(lines) if below and set(below) <= set("-=")}
        prose = flat(" ".join(line for line in lines if line not in titles and set(line) - set("-=")))
        found += re.split(r"(?<=[.;])\s+(?=[A-Z`])", re.sub(r"^(- |\d+\. +)", "", prose))
    return found


def alike(one: str, other: str) -> bool:
    """Whether most words of the shorter text stand in the other, in the same order."""
    parts = [flat(each).lower().split() for each in (one, other)]
    matcher = SequenceMatcher(None, *parts, autojunk=False)
    return sum(block.size for block in matcher.get_matching_blocks()) >= 0.7 * min(map(len, parts))


@cache
def functions_of(file: str) -> set[str]:
    """The tests that a file defines."""
    return set(re.findall(r"^def (test_\w+)", (ROOT / "tests" / file).read_text("utf-8"), re.MULTILINE))


@pytest.mark.parametrize("name", PAGES)
def test_each_promise_is_on_its_page_and_has_its_test(name: str) -> None:
    """The sentences are the page's, word for word, and the tests beside them are there."""
    page, promises, plain = PAGES[name]
    found = sentences(page())
    for sentence, test in promises.items():
        assert any(alike(sentence, each) for each in found), sentence
        file, _, function = test.partition("::")
        assert function in functions_of(file), test
    assert [each for each in plain if not any(alike(each, other) for other in found)] == []


@pytest.mark.parametrize("name", PAGES)
def test_each_sentence_that_promises_is_listed(name: str) -> None:
    """A sentence with a word that promises is in the table, or among those that promise nothing."""
    page, promises, plain = PAGES[name]
    known = [flat(each) for each in (*promises, *plain)]
    table = re.compile(r"^\d+ +[A-Z]+\.|^(from|top of the file|name +id)\b")
    for sentence in sentences(page()):
        if PROMISING.search(sentence) and not table.search(sentence):
            assert any(alike(sentence, each) for each in known), sentence


def test_each_threat_that_is_answered_has_its_test() -> None:
    """What the page says is answered is answered by a test."""
    answered = re.findall(r"^ *\d+  (\S+) +answered", seal_page.page(), re.MULTILINE)
    assert answered == list(ANSWERED)
    for test in ANSWERED.values():
        file, _, function = test.partition("::")
        assert function in functions_of(file), test


def test_the_second_form_of_an_ecdsa_signature_holds() -> None:
    """SEC 1 4.1.4 takes (r, n - s) as (r, s); so the seal differs and is good, as the page says."""
    key, record = key_for("ECDSA-P256"), encode(tide_gauge_record())
    seal = make_seal(record, signatures_by(record, [key]))
    order = 0xFFFF_FFFF_0000_0000_FFFF_FFFF_FFFF_FFFF_BCE6_FAAD_A717_9E84_F3B9_CAC2_FC63_2551
    s = int.from_bytes(seal[-32:], "big")
    other = seal[:-32] + (order - s).to_bytes(32, "big")
    (verdict,) = verify(read_seal(other, 0xFF, "seal"), record, [key.public_key])
    assert verdict.good
    assert other != seal


def test_a_reader_takes_entries_in_any_order() -> None:
    """Entries in descending order are read as they stand."""
    data = encode(tide_gauge_record())
    head, size = 192, 160
    swapped = (
        data[:head] + data[head + size : head + 2 * size] + data[head : head + size] + data[head + 2 * size :]
    )
    names = [build.name for build in decode(with_crc(swapped), "record").builds]
    assert names == [build.name for build in reversed(decode(data, "record").builds)]


def test_fields_are_naturally_aligned() -> None:
    """Each number's offset is a multiple of its size, and a layout puts no record at an odd address."""
    for field in (*HEADER, *BUILD):
        if field.kind in ("u16", "u32"):
            assert field.offset % field.size == 0
    moved = {'record = { memory = "flash", offset = "10 KiB"': 'record = { memory = "flash", offset = 10242'}
    with pytest.raises(LayoutError):
        read_layout(layout_text(moved).encode(), "small.toml")
