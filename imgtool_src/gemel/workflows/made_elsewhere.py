"""Signatures made elsewhere: which key each belongs to, and what comes back verified before it goes into a seal."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from gemel.errors import UsageProblem
from gemel.files.paths import FilePath
from gemel.files.reading import limited
from gemel.record.record import decode
from gemel.seals.format import SealFinding
from gemel.seals.keys.keys import PublicKey
from gemel.seals.seal import SealError, signature_made_elsewhere
from gemel.structs import replace
from gemel.workflows.inputs.keys import public_keys

MAX_SIGNATURE = 64 << 10


def paired(
    files: Sequence[FilePath], option: str, publics: Sequence[FilePath]
) -> list[tuple[FilePath, PublicKey]]:
    """Each file of ``option`` with the public key that was given with it, in the same order.

    Raises UsageProblem for another number of keys than files, KeyFileError for what is no public key.
    """
    if len(files) != len(publics):
        found = f"{len(files)} {option}, {len(publics)} --public"
        step = f"give each {option} FILE its --public KEY, in the same order"
        raise UsageProblem(
            "files and public keys do not pair", found=found, expected="as many of each", next_step=step
        )
    keys = public_keys(publics)
    if twice := [key for index, key in enumerate(keys) if key in keys[:index]]:
        raise UsageProblem(
            "a public key is given twice",
            where="--public",
            found=twice[0].fingerprint.hex(),
            expected="each key once",
            next_step="leave one out, with its file",
        )
    return list(zip(files, keys, strict=True))


def signatures_from(
    record_bytes: bytes, pairs: Iterable[tuple[FilePath, PublicKey]]
) -> list[tuple[PublicKey, bytes]]:
    """The signatures in files, verified, in COSE's form; raises SealError and UsageProblem."""
    made: list[tuple[PublicKey, bytes]] = []
    findings: list[SealFinding] = []
    for path, key in pairs:
        try:
            made.append((key, signature_made_elsewhere(record_bytes, key, _signature_bytes(path), str(path))))
        except SealError as error:
            other = _other_request(record_bytes, key, path)
            problems = [replace(each, **other) for each in error.problems]
            findings += zip(error.faults, problems, strict=True)
    if findings:
        raise SealError(findings)
    return made


def _signature_bytes(path: FilePath) -> bytes:
    return limited(path, MAX_SIGNATURE, "a signature")


def _other_request(record_bytes: bytes, key: PublicKey, path: FilePath) -> dict[str, str]:
    """What a signature is of, where it is a request itself or one is next to it (x.tbs next to x.tbs.sig).

    Parts of a problem that say more than that the signature does not hold.
    """
    from gemel.seals.to_be_signed import MAX_REQUEST, RequestError, differences, read_to_be_signed

    request = path.with_suffix("")
    if path.suffix == ".tbs":
        return {
            "found": "the bytes to be signed",
            "next_step": f"sign them, and give the signature, such as {path.name}.sig",
        }
    try:
        if request == path:
            return {}
        asked = read_to_be_signed(limited(request, MAX_REQUEST, "a request", plain=True), str(request))
    except (UsageProblem, RequestError):
        return {}
    if differing := list(differences(decode(record_bytes, "the record"), asked.record)):
        return {
            "what": "a signature is for another image",
            "found": f"{request.name}, next to it, has {'; '.join(differing)}",
            "next_step": "give the image whose bytes were signed, or have those of this image signed",
        }
    if asked.key_fingerprint != key.fingerprint:
        return {
            "what": "a signature is given with another key than it was requested of",
            "found": f"{request.name}, next to it, names key {asked.key_fingerprint.hex()}",
            "next_step": "give the public key of that signature as its --public",
        }
    return {}
