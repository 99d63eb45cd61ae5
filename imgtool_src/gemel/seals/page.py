"""The seal's page: its format byte by byte, its algorithms, what it promises and what it does not."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from gemel.record.format import record_size
from gemel.seals.cbor import ARRAY, BYTES, NIL, TAG, encoded, head
from gemel.seals.cose import COSE_SIGN, MAX_SIGNERS
from gemel.seals.format import (
    BODY_HEADER,
    FINGERPRINT_SIZE,
    RECORD_CONTENT_TYPE,
    SealFault,
    seal_size,
    signer_header,
)
from gemel.seals.keys.algorithms import ALGORITHMS, ECDSA_P256, ED25519, ML_DSA_65, Registration
from gemel.seals.openssl import openssl_lines
from gemel.text.wrapping import wrapped

_WIDTH = 79

_OPENING = f"""\
The seal
========

The seal is the signature block over the record. A layout gives it an area; it
starts where the area starts, and the rest of the area is erased. The record
holds digests of every byte of the flash outside the record itself, the seal's
area and those areas that an image must leave alone, so one signature over the
record covers the whole image (`gemel explain record`).

It is a COSE_Sign (RFC 9052 4.1, CBOR tag {COSE_SIGN}) whose payload is detached: the
record's own bytes, from the mark to the CRC, where they are in the image.

    {COSE_SIGN}([
      << {{ 3: "{RECORD_CONTENT_TYPE}" }} >>,  protected header, for all
      {{}},                                      unprotected header, empty
      nil,                                     the payload is the record
      [                                        1 to {MAX_SIGNERS} signers
        [ << {{ 1: COSE id of the algorithm,    the signer's protected header
               4: fingerprint of the key }} >>,
          {{}},
          signature ],
        ...
      ]
    ])

<< >> is CBOR inside a byte string. The encoding is the deterministic one of
RFC 8949 4.2.1 and a reader accepts no other: shortest lengths, no indefinite
ones, keys ascending. Signers are in ascending order of their protected
headers, and no key signs twice. So the bytes of a seal follow from its
signatures, and a change of any of them is found (but for the second form of an
ECDSA signature, see Cautions)."""

_SIGNED = f"""\
Each signer signs the Sig_structure of RFC 9052 4.4, and nothing else: the
context, the protected headers of seal and signer, no external data, and the
record. The two headers are those above, byte for byte. For {ED25519.name}:
"""

_BOUND = """\
The content type is among the signed bytes: what the same key signs elsewhere
is never a seal. So are the algorithm and the key's fingerprint: a signature
cannot be passed off as that of another algorithm or key."""

_FINGERPRINT = """\
SHA-256 of the public key as SubjectPublicKeyInfo in DER (RFC 5280 4.1.2.7; EC
points uncompressed, RSA as rsaEncryption), 32 bytes. It is what this prints:

    openssl pkey -pubin -in KEY.pem -outform DER | sha256sum"""

_CHOICES = """\
Each COSE id here stands for one algorithm with one size of key, so a signer
leaves nothing open. ECDSA signatures are r and s, each as long as the curve's
order, one after the other (RFC 9053 2.1), not DER. Ed25519 is the pure one
and signs the whole Sig_structure. PSS takes the named hash for the digest and
the mask, and a salt as long as the hash. ML-DSA is the pure one with an empty
context, hedged. gemel signs with Ed25519 and ECDSA (RFC 6979) so that the
same record and key give the same bytes; PSS and ML-DSA signatures differ each
time, and so do images sealed with them.

RFC 9864 registers ids that name the curve too (-19 Ed25519, -9 ESP256, -51
ESP384: second-hand). They were weighed and not taken: fewer libraries know
them, and here -8, -7 and -35 stand for one curve each."""

_STEPS = """\
What a reader does, on the device too
-------------------------------------
1. Find the record, check it, and take its bytes.
2. Read the seal; refuse whatever is not exactly the form above.
3. For each signer whose fingerprint is that of a key it trusts, and whose
   algorithm is that key's and allowed: build the Sig_structure, verify.
4. Refuse a seal with a signature of a known key that does not hold, or with
   more signers of unknown keys than its policy allows: none, as a rule.
   Demand as many good signatures as its policy says; where a classical and an
   ML-DSA signature are required, both. Signers are independent and do not
   vouch for each other: anyone who can write the image can take one away, and
   only a reader that demands both finds it missing.
5. Compare the record with the flash: digests, ids, rollback counter.

A signature that holds says nothing before step 5 is done."""

_POLICY = """\
What a layout demands
---------------------
    [seal]
    area = "seal"
    required = true                   an image without a sound seal is refused
    trust = ["a-pub.pem", ...]        public keys, relative to the layout
    algorithms = ["ECDSA-P256", ...]  none: all of those above
    signers = 1                       how many trusted keys must have signed
    pair = true                       one classical and one ML-DSA signature
                                      must both hold, whatever else does
    unknown_signers = 0               how many signers with unknown keys a seal
                                      may have, while keys rotate

A signer counts when its key is trusted, its algorithm is allowed and is the
key's, and its signature holds; each key counts once. `signers` counts keys:
two classical keys are two, so a pair is requested by name. A signer whose key
nobody knows is refused: its signature can be any bytes at all. With no key to
trust nothing is verified, and an image whose seal is required does not pass.
None of these keys is in the layout's digest, so that a key can be withdrawn
without joining every older image again.

Who receives an image with its layout demands more on the command line:
`gemel check --trust KEY` requires a sound seal by this key, whatever the
layout says; it narrows the layout's trust, and gives it where the layout names
no key. `--policy FILE` does the same with a file of the receiver's own
(`gemel explain policy`). Wherever a seal is demanded, by layout or receiver,
no rule that guards the image (`gemel explain RULE` says which do) can be
waived or made less severe."""

_PROMISES = """\
What a seal promises
--------------------
That someone who could use the private key signed this record, byte for byte.
With the record's digests, which a check by the layout compares: that the image
is that one, whole, with nothing added; that its addresses, version, rollback
counter, vendor and class are the signed ones.

What it does not
----------------
That the image is good, tested, approved or safe: a seal is evidence of where
an image comes from, not an approval. When it was signed, or that the key was
still meant to be in use: a seal holds no time. That the image is the newest:
only a reader that compares the rollback counter knows. That nobody reads the
image: nothing is encrypted."""

_THREATS_INTRO = """\
Threats of RFC 9124 4.2 (numbered as in its last draft; the published text was
not read in full). `answered`: by the seal and a reader that does the steps
above; `in part`: what is missing is named; `no`: something else must."""

_THREATS: tuple[tuple[int, str, str, str], ...] = (
    (
        1,
        "IMG.EXPIRED",
        "in part",
        "An old image: the rollback counter is signed; the reader must compare it.",
    ),
    (2, "IMG.EXPIRED.OFFLINE", "no", "A device that was off for long: a record has no expiry."),
    (3, "IMG.INCOMPATIBLE", "answered", "Vendor and class ids are signed; the reader compares them."),
    (4, "IMG.FORMAT", "answered", "The record's format, and where each build runs from, are signed."),
    (5, "IMG.LOCATION", "answered", "Stored spans are signed; a build elsewhere has another digest."),
    (6, "NET.REDIRECT", "answered", "Wherever the image came from, one that is not ours is refused."),
    (7, "NET.ONPATH", "answered", "A change on the way is found."),
    (8, "IMG.REPLACE", "in part", "Verify what is in flash, not what was received."),
    (9, "IMG.NON_AUTH", "answered", "No seal, or none by a trusted key: refused where one is required."),
    (10, "UPD.WRONG_PRECURSOR", "no", "An image is whole, no difference to an older one; none is named."),
    (11, "UPD.UNAPPROVED", "in part", "Demand several signers; a seal says who signed, not why."),
    (12, "IMG.DISCLOSURE", "no", "Nothing is encrypted."),
    (13, "MFST.OVERRIDE", "answered", "Every field of the record is signed."),
    (14, "MFST.EXPOSURE", "no", "The record is readable."),
    (15, "IMG.EXTRA", "answered", "The record's digest of the rest covers bytes that should be erased."),
    (
        16,
        "KEY.EXPOSURE",
        "in part",
        "Rotation, below; keys on tokens. A stolen key signs well until withdrawn.",
    ),
    (17, "MFST.MODIFICATION", "no", "A record changed before it is signed: check the image, then sign it."),
    (18, "MFST.TOCTOU", "no", "Memory that changes between check and use is the boot code's matter."),
)

_ROTATION = """\
Rotation of keys
----------------
1. Make the new key. Trust both, the old and the new, in the layout and in the
   boot code, and ship that, sealed with the old key alone.
2. While devices in the field know only the old key, serve both ages: write two
   files of each version, `gemel sign` with the old key into one and with the
   new key into the other. The seal is in no digest, so both are one version
   with one record. A device accepts the file whose key it knows.
   Or ship boot code from the start that allows one unknown signer, and say so
   in the layout: unknown_signers = 1. Then one file with both signatures
   serves both ages; the price is room for one signature of any bytes, which
   nobody verifies.
3. When every device trusts the new key: sign with it alone.
4. Withdraw the old key: take it out of `trust` and out of the boot code, and
   raise the rollback counter in the same version, so that no older version,
   which still trusts the old key, can come back.
A device that never gets step 1 accepts nothing signed by the new key alone."""

_OPENSSL = "\n".join(f"    {line}" for line in openssl_lines(_WIDTH - 4))

_TWO_STEPS = f"""\
Signing in two steps
--------------------
A signing room needs neither the image nor its layout. It gets the bytes to be
signed ("What is signed", above), which hold the record, and gives back the
signature. `gemel show FILE.tbs` prints what the bytes say: product, version,
builds, digests. With the command line of OpenSSL (ML-DSA from 3.5 on, from
memory):

{_OPENSSL}

gemel accepts ECDSA signatures in DER too, and verifies each signature before it
writes it into a seal. Anyone who signs should know what: the bytes end with the
record, and `gemel check` says whether the image is the one it describes."""

_CAUTIONS = """\
Cautions
--------
- A signature is only as good as the code that verifies it, and as the place
  where that code keeps the public key. If either can be overwritten, nothing
  here helps.
- A private key file on a build machine can be copied by all who run a build.
  Keep release keys on a token or in a signing room; keep test keys apart.
- A pass phrase that people can remember can be searched for; long ones last.
- Stateful hash-based schemes (LMS, XMSS) are left out: their state must never
  be used twice, which a file cannot promise; NIST SP 800-208 requires them in
  hardware (from memory).
- ECDSA and EdDSA fall to a large quantum computer, and so does RSA. Devices
  that must last pair one of them with ML-DSA and demand both.
- ECDSA has, for each signature, a second one that holds too (r, n - s). It
  signs the same record: a seal's bytes are no name for an image."""


PagePart = tuple[bytes | int, str]
"""A piece of a structure: its bytes, or how many where they differ, and what it is."""


def page() -> str:
    """The format byte by byte, algorithms, faults; promises, threats; rotation, two steps, cautions."""
    parts = [
        _OPENING,
        _titled(f"One signer, {ED25519.name}, byte by byte", _rows(parts_of_a_seal())),
        "\n".join(_sizes()),
        _titled("What is signed", [_SIGNED, *_rows(parts_of_the_signed_bytes())]),
        _BOUND,
        _titled("The fingerprint of a key", [_FINGERPRINT]),
        _titled("Algorithms", _algorithms()),
        _CHOICES,
        _titled("What a reader refuses", _faults()),
        _STEPS,
        _POLICY,
        _PROMISES,
        _titled("Threats", [_THREATS_INTRO, "", *_threats()]),
        _ROTATION,
        _TWO_STEPS,
        _CAUTIONS,
    ]
    return "\n\n".join(parts) + "\n"


def parts_of_a_seal() -> list[PagePart]:
    """A seal by one Ed25519 key, piece by piece."""
    header = signer_header(ED25519, bytes(FINGERPRINT_SIZE))
    before = len(header) - FINGERPRINT_SIZE
    content_type = RECORD_CONTENT_TYPE.encode("ascii")
    return [
        (head(TAG, COSE_SIGN), f"tag {COSE_SIGN}: COSE_Sign"),
        (head(ARRAY, 4), "an array of 4"),
        (head(BYTES, len(BODY_HEADER)), f"protected header, {len(BODY_HEADER)} bytes"),
        (BODY_HEADER[: -len(content_type)], f"a map of 1; 3: text of {len(content_type)} bytes"),
        (len(content_type), f'"{RECORD_CONTENT_TYPE}"'),
        (b"\xa0", "unprotected header: an empty map"),
        (NIL, "payload: nil"),
        (head(ARRAY, 1), "an array of 1: the signers"),
        (head(ARRAY, 3), "an array of 3: the signer"),
        (head(BYTES, len(header)), f"its protected header, {len(header)} bytes"),
        (header[:3], f"a map of 2; 1: {ED25519.cose_id}, the algorithm"),
        (header[3:before], f"4: {FINGERPRINT_SIZE} bytes"),
        (FINGERPRINT_SIZE, "the key's fingerprint"),
        (b"\xa0", "its unprotected header: an empty map"),
        (head(BYTES, ED25519.signature_size), f"{ED25519.signature_size} bytes"),
        (ED25519.signature_size, "the signature"),
    ]


def parts_of_the_signed_bytes() -> list[PagePart]:
    """What one Ed25519 key signs for a record of two builds, piece by piece."""
    header = signer_header(ED25519, bytes(FINGERPRINT_SIZE))
    context = encoded("Signature")
    size = record_size(2)
    return [
        (head(ARRAY, 5), "an array of 5"),
        (context[:1], f"text of {len(context) - 1} bytes"),
        (len(context) - 1, '"Signature"'),
        (head(BYTES, len(BODY_HEADER)), f"{len(BODY_HEADER)} bytes"),
        (len(BODY_HEADER), "the seal's protected header, from A1 on"),
        (head(BYTES, len(header)), f"{len(header)} bytes"),
        (len(header), "the signer's protected header, from A2 on"),
        (encoded(b""), "no external data"),
        (head(BYTES, size), f"{size} bytes, for a record of two builds"),
        (size, "the record, from its mark to its CRC"),
    ]


def _titled(title: str, lines: Iterable[str]) -> str:
    return "\n".join([title, "-" * len(title), *lines])


def _rows(parts: Iterable[PagePart]) -> Iterator[str]:
    yield "from  size  bytes           meaning"
    offset = 0
    for content, meaning in parts:
        size = content if isinstance(content, int) else len(content)
        shown = "..." if isinstance(content, int) else content.hex(" ").upper()
        yield f"0x{offset:02X}  {size:>4}  {shown:<14}  {meaning}"
        offset += size


def _sizes() -> Iterator[str]:
    yield f"{seal_size([ED25519])} bytes for one {ED25519.name} signer,"
    yield f"{seal_size([ECDSA_P256, ML_DSA_65]):,} for {ECDSA_P256.name} with {ML_DSA_65.name}."


def _algorithms() -> Iterator[str]:
    marks = {Registration.READ: "", Registration.EXAMPLES: "*", Registration.RFC_9964: "**"}
    yield "                COSE                public  signature  seal of   same bytes"
    yield "name            id     name         key     (bytes)    it alone  each time"
    for each in ALGORITHMS:
        cose_id = f"{each.cose_id}{marks[each.evidence]}"
        same = "yes" if each.same_bytes else "no"
        yield (
            f"{each.name:<14}  {cose_id:<5}  {each.cose_name:<11}  {each.public_key_size:>5,}   "
            f"{each.signature_size:>5,}      {seal_size([each]):>5,}     {same}"
        )
    yield ""
    for each in ALGORITHMS:
        yield f"{each.name:<14}  {each.source}"
    yield ""
    yield f" * {Registration.EXAMPLES.value}"
    yield f"** {Registration.RFC_9964.value}"
    yield "Sections of FIPS 186-5, RFC 8017 and RFC 8230 are named from memory."


def _faults() -> Iterator[str]:
    makers = (SealFault.NO_SIGNER, SealFault.TOO_MANY_SIGNERS, SealFault.NO_ROOM, SealFault.BAD_SIGNATURE)
    faults = [fault for fault in SealFault if fault not in makers] + [SealFault.BAD_SIGNATURE]
    for fault in faults:
        yield from wrapped(fault.value, _WIDTH, "- ")


def _threats() -> Iterator[str]:
    for number, name, answer, words in _THREATS:
        yield from wrapped(words, _WIDTH, f"{number:>2}  {name:<21} {answer:<9} ")
