"""The results in the index of an audit, which may come from anywhere."""

from __future__ import annotations

from gemel.audit.result import AuditedBuild, AuditedFinding, AuditedSigner, ImageResult, line_of, result_of

REFUSALS = (ValueError,)
SEEDS = [
    line_of(
        ImageResult(
            path="tide.hex",
            status="broken",
            size=13_992,
            sha256="ab" * 32,
            product="tide-gauge",
            version="1.2.3",
            rollback=7,
            builds=(AuditedBuild("station", "00" * 20),),
            signers=(AuditedSigner("Ed25519", "cd" * 32, True),),
            findings=(AuditedFinding("record-sound", "error", "it is not", "area record"),),
        )
    ).encode(),
    line_of(ImageResult(path="tide.bin", status="not judged", problem="no record")).encode(),
]


def decode(data: bytes) -> None:
    """A line is no result, or one that can be written again."""
    line_of(result_of(data))
