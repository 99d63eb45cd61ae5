"""The record of an image, from the bytes that are in it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from gemel.image.sparse import SparseBytes
from gemel.joining.stamps import StampSources
from gemel.layout.model import Layout, RecordPlan
from gemel.layout.reader import ReadLayout
from gemel.placement.placed import PlacedBuild, Version, digests_of, has_vectors, identities_of, sha256_of
from gemel.record.record import BuildEntry, Record
from gemel.spans import Span


def describe(
    read: ReadLayout, sources: StampSources, version: Version, plan: RecordPlan, rest: Sequence[Span]
) -> Record:
    """The record of the image as it is in ``sources``; ``rest`` are the spans outside builds and record."""
    layout, image = sources.layout, sources.image
    vendor_id, class_id = identities_of(plan)
    return Record(
        product=layout.product,
        major=version.major,
        minor=version.minor,
        patch=version.patch,
        rollback=sources.rollback,
        layout_sha256=read.digest,
        rest_sha256=sha256_of(layout, image, list(rest)),
        builds=tuple(entry_of(layout, image, build) for build in in_order_of_record(sources.placed)),
        vendor_id=vendor_id,
        class_id=class_id,
    )


def in_order_of_record(placed: Mapping[str, PlacedBuild]) -> list[PlacedBuild]:
    """The builds by stored address: the layout's digest does not show in which order its file has them."""
    return sorted(placed.values(), key=lambda build: build.stored)


def entry_of(layout: Layout, image: SparseBytes, build: PlacedBuild) -> BuildEntry:
    """What a record says of ``build``, from the bytes now in ``image``."""
    digests = digests_of(layout, image, build.stored)
    return BuildEntry(
        name=build.name,
        core=build.core,
        role=layout.cores[build.core].role,
        stored_start=build.stored.start,
        stored_size=build.stored.size,
        run_start=build.run_start,
        vector_address=build.vector_address if has_vectors(layout, build.name) else None,
        crc32=digests.crc32,
        sha256=digests.sha256,
        build_id=build.build_id or b"",
    )
