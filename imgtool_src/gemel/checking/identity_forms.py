"""What a result is about, in words: rows for people, flat properties for forms without a structure of their own."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.identity import Identity, JudgedFolder, JudgedSigner
from gemel.spans import format_size
from gemel.text.escaping import on_one_line
from gemel.text.wrapping import labelled_lines, wrapped


def identity_rows(identity: Identity) -> Iterator[tuple[str, str]]:
    """The identity for people: a heading without a label first, then a label and a value each."""
    image = identity.image
    named = f"{identity.layout_product}, by the layout" if identity.layout_product else "no sound record"
    if image.product is not None:
        named = f"{image.product} {image.version}, rollback counter {image.rollback}"
    yield "", f"{image.name or 'image'}: {named}"
    if image.size is not None:
        yield "size", format_size(image.size)
        yield "SHA-256", f"{image.sha256}"
    yield "content", image.content_sha256
    if identity.release:
        yield "release", f"{identity.release.name}, {_sums(identity.release)}"
    if identity.layout:
        yield "layout", f"{identity.layout.name}, SHA-256 {identity.layout.sha256}"
    elif identity.builds:
        yield "layout", "not given: record and seal alone are checked"
    for build in identity.builds:
        place = f", {build.stored}" if build.stored else ""
        yield "build", f"{build.name}: {build.file or 'not given'}{place}"
        if build.file:
            yield "build", f"build id {build.build_id.hex()}" if build.build_id else "no build id"
        elif build.build_id:
            yield "build", f"build id {build.build_id.hex()}, by the record"
    yield from _seal_rows(identity)
    if identity.policy:
        yield "policy", f"{identity.policy.name}, SHA-256 {identity.policy.sha256}"
    for waiver in identity.waivers:
        yield "waived", f"{waiver.rule} at {waiver.where}, until {waiver.until}: {waiver.reason}"
    for change in identity.severities:
        yield "severity", f"{change.rule} counts as {change.severity}: {change.reason}"
    options = f" with {' '.join(identity.options)}" if identity.options else ""
    yield "tool", f"{identity.tool.name} {identity.tool.version}{options}"


def _sums(folder: JudgedFolder) -> str:
    return f"SHA256SUMS has SHA-256 {folder.sums_sha256}" if folder.sums_sha256 else "no SHA256SUMS"


def _seal_rows(identity: Identity) -> Iterator[tuple[str, str]]:
    if identity.seal_demanded_by:
        yield "demanded", f"a seal, by {identity.seal_demanded_by}"
    if not identity.signers:
        yield "signed", {"malformed": "the seal is malformed"}.get(identity.seal, identity.seal)
    for signer in identity.signers:
        yield "signed", f"{signer.algorithm} key {signer.key[:16]}..., {_state(identity, signer)}"


def _state(identity: Identity, signer: JudgedSigner) -> str:
    """What a signature is worth for this image, in words."""
    if signer.verified and identity.as_sealed is False:
        return "verified, but NOT OVER THESE BYTES: the image was changed after it was sealed"
    if signer.counted:
        return "verified"
    if signer.verified:
        return f"verified, and does not count: {signer.verdict}"
    return f"NOT VERIFIED: {signer.verdict}"


def identity_properties(identity: Identity) -> Iterator[tuple[str, str]]:
    """The identity as flat names and texts, for forms without a structure of their own."""
    image = identity.image
    yield "tool", f"{identity.tool.name} {identity.tool.version}"
    for name, value in (
        ("image", image.name),
        ("image_size", image.size),
        ("image_sha256", image.sha256),
        ("image_content_sha256", image.content_sha256),
        ("product", image.product),
        ("version", image.version),
        ("rollback", image.rollback),
        ("layout", identity.layout and identity.layout.name),
        ("layout_file_sha256", identity.layout and identity.layout.sha256),
        ("layout_digest", identity.layout_digest and identity.layout_digest.hex()),
    ):
        yield name, "none" if value is None else str(value)
    if identity.release:
        yield "release", f"{identity.release.name}, {_sums(identity.release)}"
    for build in identity.builds:
        build_id = build.build_id.hex() if build.build_id else "no build id"
        by_record = f"not given, {build_id} by the record" if build.build_id else "not given"
        file = f"{build.file}, {build_id}" if build.file else by_record
        yield f"build.{build.name}", f"{file}, {build.stored}" if build.stored else file
    yield "seal", identity.seal
    yield "seal_demanded_by", identity.seal_demanded_by or "none"
    for signer in identity.signers:
        yield "signer", f"{signer.algorithm} {signer.key}: {_state(identity, signer)}"
    if identity.policy:
        yield "policy", f"{identity.policy.name}, SHA-256 {identity.policy.sha256}"
    for option in identity.options:
        yield "option", option
    for waiver in identity.waivers:
        yield "waiver", f"{waiver.rule} at {waiver.where} until {waiver.until}: {waiver.reason}"
    for change in identity.severities:
        yield "severity", f"{change.rule}: {change.severity}: {change.reason}"


def identity_lines(identity: Identity, width: int) -> list[str]:
    """The identity as lines for people; a digest stays whole, so that it can be compared and copied."""
    (_, heading), *rows = identity_rows(identity)
    return [*(wrapped(heading, width) or [on_one_line(heading)]), *labelled_lines(rows, width)]
