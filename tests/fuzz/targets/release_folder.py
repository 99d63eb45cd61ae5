"""The documents of a received release folder, one of them changed: its name in the first line, then its bytes."""

from __future__ import annotations

import tempfile
from pathlib import Path

from releases import released, write_device
from seal_keys import key_for

from gemel.errors import GemelError
from gemel.release.contents import CONTENTS, PROVENANCE, SBOM, SUMS, sums_text
from gemel.release.received.documents import (
    contents_faults,
    sbom_faults,
    statement_faults,
    vex_faults,
    vex_refs_unknown,
)
from gemel.release.received.folder import ReleaseFolder, listing_faults, report_faults, signed_by
from gemel.structs import replace

REFUSALS = (GemelError,)
with tempfile.TemporaryDirectory() as _folder:
    _FILES = released(write_device(Path(_folder))).files
_FOLDER = ReleaseFolder({**_FILES, SUMS: sums_text(_FILES)})
_KEYS = [key_for("Ed25519").public_key]
SEEDS = [
    name.encode() + b"\n" + _FOLDER.files[name] for name in (CONTENTS, PROVENANCE, SBOM, SUMS, "check.json")
]


def decode(data: bytes) -> None:
    """Whatever a document says, what is wrong with it is said."""
    name, _, document = data.partition(b"\n")
    folder = replace(_FOLDER, files={**_FOLDER.files, name.decode("ascii", "replace"): document})
    for faults in (
        listing_faults(folder),
        statement_faults(folder, None),
        contents_faults(folder, None, sealed=True),
        report_faults(folder),
        sbom_faults(folder, None, {}),
        vex_faults(folder),
        vex_refs_unknown(folder),
    ):
        list(faults)
    signed_by(folder, _KEYS)
