"""What ``gemel explain release`` prints: the folder, what proves it, its rules, and the SUIT envelope."""

from __future__ import annotations

from gemel.checking.rule import Rule
from gemel.text.wrapping import wrapped

OPENING = """\
The release folder
==================

`gemel release LAYOUT NAME=BUILD ... --key KEY -o FOLDER` makes it, whole or not at all:

    PRODUCT-VERSION.hex, .srec, .bin   the image, in the chosen formats
    PRODUCT-VERSION-MEMORY.bin         every byte of a memory, as it is after programming
    LAYOUT.toml                        the layout as used
    keys/, or where LAYOUT names them  public keys of the signers and of those that the layout trusts
    check.txt, .json, .html, ...       the reports of the check, one in each form
    rehearsal.txt, .json, .svg         the rehearsal, if one was made
    notes.txt, notes.json              what changed since --previous IMAGE
    sbom.cdx.json                      CycloneDX 1.6: product, builds, compilers, libraries, the teams' own SBOMs
    vex/                               the teams' VEX documents (CycloneDX, OpenVEX, CSAF), byte for byte
    provenance.json                    in-toto Statement v1 with SLSA provenance v1, in a DSSE envelope
    release.json                       what each file is
    SHA256SUMS                         for `sha256sum -c SHA256SUMS`

Equal inputs give equal bytes, but for signatures that are random (RSA-PSS, ML-DSA). No time, host, user or
folder is in it; the SBOM has a time where SOURCE_DATE_EPOCH is set. Libraries are known by the source paths in
debug information: one without it is not found, so the list is never complete.

The provenance is signed with the keys that sign the image. Its subjects are all files but itself and SHA256SUMS, so
these signatures protect the whole folder. SHA256SUMS alone protects against accident only.

`gemel check --release FOLDER` checks the image by the layout in the folder, and the rules below. Keys that came in the
folder show only that it fits together: give your own with --trust or --policy.

`--index FILE` keeps what is shipped: product, version, build ids, digests of layout, content, image files and of each
erase block, signers. Of what version something is, it answers without any other file:

    gemel audit --index FILE --find build-id=5d1c60fe     also digest=, layout=, version=, key=, product=
    gemel audit --index FILE --find image=HALF.bin        the versions that have most of its erase blocks
    gemel check --from-device LAYOUT DUMP --index FILE    what version each part of a device is of
    gemel where LAYOUT --version 1.4.2 --index FILE --symbols FOLDER ADDRESS
                                                          what is there, by the ELF files of that version

`gemel audit LAYOUT PATH ... --index FILE --blocks` puts images that were shipped before into it.
"""

SUIT = """\
The SUIT envelope
-----------------

`gemel export suit LAYOUT IMAGE --key KEY -o FILE` writes an image as an envelope of draft-ietf-suit-manifest-37. That
is a draft: the envelope is a trial until the standard is out, and may change with it. In brackets: the title of the
draft's section, from memory; its numbers still move.

    107  envelope (tag) [Envelope]
      2    SHA-256 (-16) of the manifest with its byte string's head, a COSE_Sign1 (18) a key [Authenticated Manifests]
      3    manifest [Manifest]
        1    version: 1 [suit-manifest-version]
        2    sequence number: the record's rollback counter [suit-manifest-sequence-number]
        3    common [suit-common]
          2    components, builds first, the primary's before the others [SUIT_Component_Identifier]: memory, address
               as 4 bytes big-endian
          4    shared sequence [SUIT_Command_Sequence]: vendor id (1) and class id (2) of the record, digest (3) and
               size (14) of each component [SUIT_Parameters], and conditions on vendor and class [SUIT_Condition]
        7    validate: every digest [SUIT_Command_Sequence]
        9    invoke: the primary's build, which releases the other cores [SUIT_Directive]
       20    install: the secondaries' builds, the primary's, the rest, the record, the seal [Severable Elements]
       23    text: product and version, and what each component is and needs [suit-text]
      "#NAME"  the bytes of a component [Envelope, integrated payloads]

The argument of each condition, of fetch and of invoke is a reporting policy: 15 all, 2 failures [Reporting Policy].
Dependencies between the cores' builds are the order of install and invoke: no core is started before all digests hold,
and the primary's component names in its text the builds that it starts. (Manifests that depend on other manifests are
another draft's; an image is one unit, signed as one.)
"""


def page() -> str:
    """The page."""
    from gemel.release.read_back.rules import read_back_rules
    from gemel.release.received.folder import ReleaseFolder
    from gemel.release.received.rules import folder_rules

    rules = (*folder_rules(ReleaseFolder({}), [], {}), *read_back_rules({}, {}))
    listed = "\n".join(line for rule in rules for line in _lines(rule))
    return f"{OPENING}\nIts rules\n---------\n{listed}\n\n{SUIT}"


def _lines(rule: Rule) -> list[str]:
    return [rule.name, *wrapped(f"{rule.checks} {rule.why}", 100, "    ")]
