"""From an image and a layout to ``Contents``; the parts come from the modules next to this one."""

from __future__ import annotations

from collections.abc import Sequence

from gemel.checking.identity import NO_KEY, JudgedSigner, identity_of, identity_without_layout
from gemel.image.image import ImageFile
from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.seals.keys.keys import PublicKey
from gemel.show.facts.build_uses import build_uses
from gemel.show.facts.contents import Contents, ImageFacts, LayoutFacts
from gemel.show.facts.file_alone import pieces_of, vector_hints
from gemel.show.facts.memory_uses import memory_uses
from gemel.show.facts.records import records
from gemel.show.facts.seals import seals
from gemel.show.facts.values import written_values
from gemel.show.facts.vector_tables import vector_facts
from gemel.spans import Address, merge, without

_WORDS = {
    "holds": "the signature holds",
    "does not hold": "the signature does not hold",
    "key unknown": "none of the given keys is its own",
    "not verified": NO_KEY,
}


def contents_of(
    inspection: Inspection, file: str, entry: int | None = None, layout_file: str = ""
) -> Contents:
    """What is in ``inspection.image``, read from ``file``, by its layout and with the given builds.

    ``entry`` is the start address that the file names, ``layout_file`` the layout's name for people
    (else the one it was read by).  Raises BuildError if a build's file became
    shorter since it was opened.
    """
    memories = [memory.span for memory in inspection.layout.memories.values()]
    sound, broken = records(inspection.image, inspection)
    tables = (vector_facts(inspection, name) for name in inspection.layout.builds)
    return Contents(
        identity=identity_of(inspection, file, ()),
        image=image_facts(inspection.image, file, entry),
        layout=LayoutFacts(
            layout_file or inspection.read.file, inspection.layout.product, inspection.read.digest
        ),
        memories=memory_uses(inspection),
        outside=tuple(without(inspection.image.spans(), memories)),
        builds=build_uses(inspection),
        records=sound,
        broken_records=broken,
        seals=seals(inspection.image, inspection, sound, (*inspection.trusted, *inspection.known)),
        vector_tables=tuple(table for table in tables if table),
        values=written_values(inspection),
    )


def contents_of_file(
    image: SparseBytes,
    file: str,
    entry: int | None = None,
    trusted: Sequence[PublicKey] = (),
    read_from: ImageFile | None = None,
) -> Contents:
    """What an image file alone shows, without a layout; ``trusted`` are the keys that seals are tried with."""
    sound, broken = records(image, None)
    found = seals(image, None, sound, trusted)
    return Contents(
        identity=identity_without_layout(
            image,
            file,
            read_from,
            sound[0] if len(sound) == 1 else None,
            "not sealed" if not found else "malformed" if any(seal.problem for seal in found) else "sealed",
            tuple(
                JudgedSigner(
                    algorithm=signer.algorithm,
                    key=signer.key_id.hex(),
                    verified=signer.verdict == "holds",
                    counted=signer.verdict == "holds",
                    verdict=_WORDS[signer.verdict],
                )
                for seal in found
                for signer in seal.signers
            ),
            differs=len(sound) == 1 and sound[0].differs,
        ),
        image=image_facts(image, file, entry),
        records=sound,
        broken_records=broken,
        seals=found,
        pieces=pieces_of(image, sound),
        vector_hints=vector_hints(image),
    )


def image_facts(image: SparseBytes, file: str, entry: int | None) -> ImageFacts:
    """The runs of an image file and the gaps between them."""
    runs = merge(image.spans())
    bounds = image.bounds()
    gaps = without([bounds], runs) if bounds else []
    return ImageFacts(file, image.size, None if entry is None else Address(entry), tuple(runs), tuple(gaps))
