"""What an image was judged by: whoever reads a report must see what the layout bends and whose keys counted."""

from __future__ import annotations

from gemel.inspection.inspection import Inspection
from gemel.layout.model import SeverityChange, Waiver
from gemel.structs import Struct


class Basis(Struct):
    """The layout's file and the policy's, each with the SHA-256 of its bytes; waivers and severities in force.

    ``counted_keys`` are the fingerprints of the keys whose signatures counted, in the seal's order;
    ``seal_demanded_by`` is empty where nobody demands a seal; ``date`` is the one that was given (ISO 8601), empty
    where waivers end by the machine's.
    """

    layout_file: str
    layout_file_sha256: str
    policy: str
    policy_sha256: str
    seal_demanded_by: str
    date: str
    counted_keys: tuple[str, ...]
    waivers: tuple[Waiver, ...]
    severities: tuple[SeverityChange, ...]


def basis_of(inspection: Inspection) -> Basis:
    """What ``inspection`` is judged by."""
    read, policy, seal = inspection.read, inspection.receiver.policy, inspection.seal
    counted = seal.counted if seal else []
    demanded = seal.demands.demanded_by if seal and seal.demands.required else ""
    return Basis(
        layout_file=read.name,
        layout_file_sha256=read.file_sha256.hex(),
        policy=policy.name if policy else "",
        policy_sha256=policy.sha256.hex() if policy else "",
        seal_demanded_by=demanded,
        date=inspection.judged_on.isoformat() if inspection.judged_on else "",
        counted_keys=tuple(verdict.signer.key_fingerprint.hex() for verdict in counted),
        waivers=read.layout.rules.waive,
        severities=read.layout.rules.severity,
    )
