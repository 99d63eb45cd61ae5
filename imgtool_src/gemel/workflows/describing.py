"""What is in an image, as plain data."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

from gemel.builds.build import Build
from gemel.errors import Problem, UsageProblem
from gemel.image.image import Image
from gemel.inspection.inspection import Inspection
from gemel.layout.reader import ReadLayout
from gemel.structs import Struct, replace

if TYPE_CHECKING:
    from gemel.seals.keys.keys import PublicKey
    from gemel.show.facts.contents import Contents


class DescribedImage(Struct):
    """What is in an image, and what it was read from; ``inspection`` is None where there is no layout.

    ``remarks`` say why the layout's keys were not used.
    """

    contents: Contents
    image: Image
    inspection: Inspection | None
    remarks: list[Problem]

    @property
    def is_trusted(self) -> bool:
        """Whether a given key's signature holds, with no more unknown signers than the layout allows (else none)."""
        plan = self.inspection.layout.seal if self.inspection else None
        unknown = [
            sum(signer.verdict == "key unknown" for signer in seal.signers) for seal in self.contents.seals
        ]
        return self.contents.is_signed and max(unknown) <= (plan.unknown_signers if plan else 0)

    def to_html(self) -> str:
        """The contents, the symbols and the bytes as one HTML page that needs no other file (at most 3 MiB)."""
        from gemel.page.render import page_of_image

        return page_of_image(self.contents, self.image.data, self.inspection)


def describe(
    image: Image,
    layout: ReadLayout | None = None,
    builds: Mapping[str, Build] | None = None,
    *,
    trusted: Sequence[PublicKey] | None = None,
) -> Contents:
    """What is in ``image``: by its layout, with the builds that are given, or what the file alone shows.

    Seals are verified with the ``trusted`` keys (None: those of the layout whose files can be read).
    Raises UsageProblem for builds without a layout, which says where each goes.
    """
    return described(image, layout, builds, trusted=trusted).contents


def html_page(
    image: Image,
    layout: ReadLayout | None = None,
    builds: Mapping[str, Build] | None = None,
    *,
    trusted: Sequence[PublicKey] | None = None,
) -> str:
    """What ``describe`` gives, with symbols and bytes, as one HTML page that needs no other file (at most 3 MiB)."""
    return described(image, layout, builds, trusted=trusted).to_html()


def described(
    image: Image,
    layout: ReadLayout | None = None,
    builds: Mapping[str, Build] | None = None,
    *,
    trusted: Sequence[PublicKey] | None = None,
) -> DescribedImage:
    """As ``describe``, with what it was read from."""
    from gemel.show.facts.gather import contents_of, contents_of_file

    if layout is None:
        refuse_builds_without_layout(builds or ())
        alone = contents_of_file(image.data, image.file, image.entry, trusted or (), image.read_from)
        return DescribedImage(_with_trust(alone, trusted), image, None, [])
    keys, remarks = keys_of(layout) if trusted is None else (tuple(trusted), [])
    inspection = Inspection(
        layout, image.data, builds or {}, trusted=keys, file=image.file, image_file=image.read_from
    )
    contents = contents_of(inspection, image.file, image.entry, layout.name)
    is_signed = any(each.signers for each in contents.seals)
    return DescribedImage(_with_trust(contents, trusted), image, inspection, remarks if is_signed else [])


def _with_trust(contents: Contents, trusted: Sequence[PublicKey] | None) -> Contents:
    """The contents, with the option that gave keys among those of its identity."""
    if not trusted:
        return contents
    identity = contents.identity
    return replace(contents, identity=replace(identity, options=(*identity.options, "--trust")))


def keys_of(layout: ReadLayout) -> tuple[tuple[PublicKey, ...], list[Problem]]:
    """The layout's keys; or none, and why: what is in an image is shown where a file of them cannot be read too."""
    if layout.layout.seal is None:
        return (), []
    from gemel.workflows.trust import trusted_keys

    what = "seals are not verified: a key that the layout trusts cannot be used"
    try:
        return trusted_keys(layout), []
    except UsageProblem as error:
        return (), [replace(each, what=f"{what}: {each.what}") for each in error.problems]


def refuse_builds_without_layout(builds: Iterable[str]) -> None:
    """Raise UsageProblem where there are any ``builds``: only a layout says where each goes."""
    if names := " ".join(builds):
        step = "give LAYOUT before the image, which says where each goes"
        raise UsageProblem("builds can be shown only by a layout", found=names, next_step=step)
