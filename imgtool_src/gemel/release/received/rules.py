"""What must hold of a received release folder, as rules of their own besides those of a check of its image.

They are made for one folder, so they are not in the registry, and no layout can waive them.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping

from gemel.checking.rule import Rule
from gemel.errors import GemelError
from gemel.inspection.inspection import Inspection
from gemel.outcomes import Finding, Holds, Need, NotChecked, Outcome, Reason
from gemel.release.contents import CONTENTS, LISTED, MAX_FAULTS, PROVENANCE, SBOM, SUMS
from gemel.release.received.documents import (
    contents_faults,
    sbom_faults,
    statement_faults,
    vex_faults,
    vex_refs_unknown,
)
from gemel.release.received.folder import (
    FolderFault,
    ReleaseFolder,
    fault_of,
    listing_faults,
    report_faults,
    signed_by,
)
from gemel.seals.keys.keys import PublicKey

MAX_QUOTED = 300
"""Characters of a text from a document that a finding quotes."""

AGAIN = "take the folder again from the team that released it, and do not use this one"


AGREES = "release-provenance-agrees"
"""The rule whose finding that a signed provenance is of another image is the cause of all else about the image."""


def folder_rules(
    folder: ReleaseFolder, keys: list[PublicKey], builds: Mapping[str, str], checked: Collection[str] = ()
) -> tuple[Rule, ...]:
    """The rules for ``folder``; ``keys`` are those that came in it, ``builds`` digests of given builds by name.

    ``checked`` are the layout, the image that is checked and the one that should be: where one of them is another file
    than was released, all else that is found follows from it.
    """

    def rule(
        name: str, checks: str, why: str, source: str, check: Callable[[Inspection], Iterable[Outcome]]
    ) -> Rule:
        return Rule(name, "error", "image", checks, why, AGAIN, source, "there was nothing to look at", check)

    return (
        rule(
            LISTED,
            f"The folder holds exactly the files that {SUMS} lists, with these digests.",
            "A file that was exchanged, added or lost on the way goes unnoticed.",
            "FIPS 180-4 (SHA-256); the list's form: common practice",
            lambda _: _outcomes(listing_faults(folder), SUMS, f"{len(folder.files)} files", checked),
        ),
        rule(
            "release-contents-agree",
            "The list of contents and the check's report are of this image: product, version, builds, digests.",
            "Documents of another version are filed with this one.",
            "common practice",
            lambda inspection: _outcomes(_contents(folder, inspection), CONTENTS, CONTENTS),
        ),
        rule(
            AGREES,
            "The provenance lists the files of the folder, and layout, builds and version of the image's record.",
            "Evidence of how another version was made stands for this one.",
            "in-toto attestation framework, Statement v1; SLSA provenance v1",
            lambda inspection: _provenance(folder, keys, inspection, checked),
        ),
        rule(
            "release-provenance-signed",
            "The provenance is signed with the keys that signed the image, by keys that are trusted.",
            "Anyone who changes the folder can write provenance and digests that fit.",
            "DSSE 1.0, protocol",
            lambda inspection: _signed(folder, keys, inspection),
        ),
        rule(
            "release-sbom-agrees",
            "The SBOM is of this image, and its builds have the digests and build ids of those in the image.",
            "A vulnerability is looked up in the list of another version.",
            "CycloneDX 1.6",
            lambda inspection: _outcomes(sbom_faults(folder, inspection.record, builds), SBOM, SBOM),
        ),
        rule(
            "release-vex-agrees",
            "The VEX documents are those of the provenance, and name components of the SBOM.",
            "What is known of a vulnerability is looked up in a document of another version.",
            "CycloneDX 1.6; OpenVEX v0.2.0; OASIS CSAF 2.0",
            lambda _: _vex(folder),
        ),
    )


def _outcomes(
    faults: Iterable[FolderFault],
    party: str,
    where: str,
    explaining: Collection[str] = (),
    causes: Iterable[tuple[str, str]] = (),
) -> Iterator[Outcome]:
    """A finding for each fault; one about a file of ``explaining`` explains all others, ``causes`` these."""
    found = list(faults)
    more = len(found[MAX_FAULTS:])
    for number, fault in enumerate((_bounded(each) for each in found[:MAX_FAULTS]), 1):
        yield Finding(
            fault.what,
            (fault.file or party,),
            where=fault.file,
            found=fault.found,
            expected=fault.expected,
            follows_from=() if party == SUMS else ((LISTED, fault.file), *causes),
            explains_all=fault.listed and fault.file in explaining,
            lines=(f"and {more:,} more like this",) if more and number == MAX_FAULTS else (),
        )
    if not found:
        yield Holds(where)


def _contents(folder: ReleaseFolder, inspection: Inspection) -> Iterator[FolderFault]:
    is_sealed = bool(inspection.seal and inspection.seal.verdicts)
    yield from contents_faults(folder, inspection.record, is_sealed)
    yield from report_faults(folder)


def _provenance(
    folder: ReleaseFolder, keys: list[PublicKey], inspection: Inspection, checked: Collection[str]
) -> Iterator[Outcome]:
    """What the provenance has otherwise; one that is signed explains all else where another image was put in."""
    faults = list(statement_faults(folder, inspection.record))
    exchanged = [fault.file for fault in faults if fault.listed and fault.file in checked]
    if exchanged:
        relisted = {*exchanged} - {fault.file for fault in listing_faults(folder)}
        known = [*keys, *inspection.known, *inspection.trusted]
        exchanged = sorted(relisted) if signed_by(folder, known) else []
    causes = [(AGREES, file) for file in exchanged]
    yield from _outcomes(faults, PROVENANCE, PROVENANCE, exchanged, causes)


def _bounded(fault: FolderFault) -> FolderFault:
    """``fault`` with no text of a document longer than a line or two in it."""
    file, what, found, expected = (_shortened(each) for each in fault[:4])
    return FolderFault(file, what, found, expected, fault.listed)


def _shortened(text: str) -> str:
    return text if len(text) <= MAX_QUOTED else f"{text[:MAX_QUOTED]}..."


def _vex(folder: ReleaseFolder) -> Iterator[Outcome]:
    faults = list(vex_faults(folder))
    yield from _outcomes(faults, "vex", "vex") if faults else ()
    unknown = list(vex_refs_unknown(folder))
    for file, ref in unknown:
        yield NotChecked(_shortened(file), f"the SBOM lists no component {_shortened(ref)}")
    concerned = {file for file, _ in unknown} | {fault.file for fault in faults}
    files = [each.file for each in folder.contents.vex] if CONTENTS in folder.files else []
    yield from (Holds(_shortened(file)) for file in files if file not in concerned)


def _signed(folder: ReleaseFolder, keys: list[PublicKey], inspection: Inspection) -> Iterator[Outcome]:
    try:
        envelope = folder.envelope
    except GemelError as error:
        yield from _outcomes([fault_of(error, PROVENANCE)], PROVENANCE, PROVENANCE)
        return
    seal = inspection.seal
    sealed_by = {each.signer.key_fingerprint for each in seal.verdicts} if seal else set()
    if not envelope.signatures:
        if sealed_by or inspection.demands_seal:
            no_seal = () if sealed_by else ("seal-present",)
            what = "nobody signed the provenance"
            yield _unsigned(inspection, what, found="no signature", expected=sealed_by, of_seal=no_seal)
        else:
            yield NotChecked(PROVENANCE, "neither the image nor the provenance is signed")
        return
    known = {key.fingerprint: key for key in (*keys, *inspection.known, *inspection.trusted)}
    good = signed_by(folder, list(known.values()))
    trusted = {key.fingerprint for key in inspection.trusted}
    bad = [each.keyid for each in envelope.signatures if _is_bad(each.keyid, known, good)]
    for keyid in bad:
        what, expected = "a signature of the provenance does not hold", {bytes.fromhex(keyid)}
        yield _unsigned(inspection, what, found=f"key {keyid[:16]}...", expected=expected)
    for key in sorted(sealed_by - good):
        if key not in known:
            reason = Reason("the public key of a signer of the image is not given", Need("key"))
            yield NotChecked(f"key {key.hex()[:16]}...", reason)
        elif key.hex() not in bad:
            what = "a key that signed the image did not sign the provenance"
            yield _unsigned(inspection, what, found="no signature of it", expected={key})
    if inspection.demands_seal and not good & trusted:
        what, of_seal = (
            "no trusted key signed the provenance",
            ("seal-by-trusted-key",) if good == sealed_by else (),
        )
        yield _unsigned(inspection, what, found=_words(good), expected=trusted, of_seal=of_seal)
    elif not trusted:
        reason = Reason(
            "keys that came in the folder show only that it fits together: give --trust", Need("key")
        )
        yield NotChecked("who signed", reason)
    for fingerprint in sorted(good):
        yield Holds(f"key {fingerprint.hex()[:16]}...")


def _is_bad(keyid: str, known: Mapping[bytes, PublicKey], good: set[bytes]) -> bool:
    return any(keyid == fingerprint.hex() and fingerprint not in good for fingerprint in known)


def _unsigned(
    inspection: Inspection, what: str, *, found: str, expected: Iterable[bytes], of_seal: tuple[str, ...] = ()
) -> Finding:
    """A finding about a signature of the provenance; ``of_seal`` are rules that say the same of the seal."""
    area = inspection.layout.seal.area if inspection.layout.seal else ""
    return Finding(
        what,
        (PROVENANCE,),
        where=PROVENANCE,
        found=found,
        expected=f"signed by {_words(expected)}",
        follows_from=((LISTED, PROVENANCE), *((rule, area) for rule in of_seal)),
    )


def _words(keys: Iterable[bytes]) -> str:
    return ", ".join(f"key {key.hex()[:16]}..." for key in sorted(keys)) or "nobody known"
