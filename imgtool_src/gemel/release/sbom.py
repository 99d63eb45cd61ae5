"""The bill of materials of an image: CycloneDX 1.6, written by ``cyclonedx-python-lib``.

The product is the subject; each build is a component with its file's digest, build id, compilers and processor; what is
linked into a build, and what its team's own SBOM lists, are components that the build depends on.  No time enters it
unless SOURCE_DATE_EPOCH is set, and the serial number follows from the contents, so that equal inputs give equal bytes.
"""

from __future__ import annotations

import hashlib
import json
import os
import uuid
import warnings
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from gemel.builds.build import Build
from gemel.errors import UsageProblem
from gemel.files.contents import LOOK, instead_of_toml
from gemel.m_profile.attribute_tags import TAGS
from gemel.release.contents import ReleaseContents
from gemel.release.extras import library
from gemel.release.linked_in import MAX_MEMBERS, LinkedLibrary, MadeOf, compiler_of, made_of
from gemel.text.as_json import json_text
from gemel.version import __version__

USE = "writing an SBOM"
NAMESPACE = uuid.UUID("6f6cbf0e-7a0c-5d0e-9d51-0f3b7d2b1c44")
"""Of the serial numbers, which are UUIDv5 (RFC 9562 5.5)."""

ATTRIBUTE_TAGS = (5, 6, 7, 10, 26, 28)
"""Build attributes that are listed: processor, architecture, profile, float unit, size of enumerations, float calls."""

MAX_PARTS, MAX_DEPTH = 800, 16
"""Components and dependencies of a team's SBOM together that are merged, and lists inside each other in it.

The library's time grows with the square of the first, and faster with the second.
"""

ENTRIES_OF_A_PART = 8
"""Licences, references and the like cost less: so many of them count as one part."""

MERGED = ("bomFormat", "specVersion", "version", "metadata", "components", "dependencies")
"""What is read of a team's SBOM."""

TEXTS = frozenset(("name", "version", "group", "type", "bom-ref", "ref", "purl", "cpe", "id"))
"""What is text wherever it stands in components, dependencies and metadata of a CycloneDX document."""


def sbom_text(
    contents: ReleaseContents,
    images: Mapping[str, bytes],
    builds: Mapping[str, Build],
    given: Sequence[tuple[str, str, bytes]],
) -> bytes:
    """The SBOM as JSON.

    ``images`` are the written images by name, ``given`` SBOMs of the teams: build that it is of (empty: the product),
    file name and bytes.  Raises UsageProblem for one that is no CycloneDX JSON, ExtraMissing without the library.
    """
    bom_module, component, model = (
        library(f"cyclonedx.model{name}", USE) for name in (".bom", ".component", "")
    )
    kinds = component.ComponentType
    product = component.Component(
        name=contents.product, version=contents.version, type=kinds.FIRMWARE, bom_ref="product"
    )
    first = next(iter(images))
    product.hashes.add(_sha256(model, hashlib.sha256(images[first]).hexdigest()))
    for name, value in (
        ("image", first),
        ("rollback", str(contents.rollback)),
        ("layout-digest", contents.layout_sha256),
    ):
        product.properties.add(model.Property(name=f"gemel:{name}", value=value))
    bom = bom_module.Bom(components=[], metadata=bom_module.BomMetaData(component=product))
    bom.metadata.tools.components.add(
        component.Component(name="gemel", version=__version__, type=kinds.APPLICATION, bom_ref="tool:gemel")
    )
    parts = {}
    for released in contents.builds:
        made = made_of(builds[released.name]) if builds[released.name].kind == "elf" else None
        part = component.Component(
            name=released.name,
            version=contents.version,
            type=kinds.FIRMWARE,
            bom_ref=f"build:{released.name}",
        )
        part.hashes.add(_sha256(model, released.sha256))
        for name, value in _properties(
            released.file, released.core, released.build_id, builds[released.name], made
        ):
            part.properties.add(model.Property(name=f"gemel:{name}", value=value))
        bom.components.add(part)
        parts[released.name] = part
        linked = [_linked(component, model, released.name, each) for each in (made.libraries if made else ())]
        compilers = _compilers(component, kinds, released.name, made)
        for each in (*linked, *compilers):
            bom.components.add(each)
        _register(bom, part, linked)
    _register(bom, product, list(parts.values()))
    for number, (owner, name, data) in enumerate(given, 1):
        added = merge_sbom(bom, data, name, f"sbom{number}:")
        _register(bom, parts.get(owner, product), added)
    return _written(bom, images[first])


def _properties(
    file: str, core: str, build_id: str | None, build: Build, made: MadeOf | None
) -> Iterator[tuple[str, str]]:
    yield from [("file", file), ("core", core), ("format", build.kind)]
    if build_id:
        yield ("build-id", build_id)
    if build.attributes:
        present = [tag for tag in ATTRIBUTE_TAGS if tag in build.attributes.values and tag in TAGS]
        yield from [(f"attribute:{TAGS[tag].name}", build.attributes.in_words(tag)) for tag in present]
    if made is None:
        yield ("not-known", "compilers and libraries: the build is no ELF file")
    else:
        yield from [("producer", producer) for producer in made.producers]
        if made.reason:
            yield ("not-known", f"compilers and libraries: {made.reason}")


def _linked(component: Any, model: Any, build: str, found: LinkedLibrary) -> Any:
    from packageurl import PackageURL

    part = component.Component(
        name=found.name,
        version=found.version or None,
        type=component.ComponentType.LIBRARY,
        bom_ref=f"build:{build}:library:{found.name}@{found.version}",
        purl=PackageURL.from_string(found.purl) if found.purl else None,
    )
    part.properties.add(model.Property(name="gemel:linked-into", value=build))
    for member in found.members[:MAX_MEMBERS]:
        part.properties.add(model.Property(name="gemel:member", value=member))
    if len(found.members) > MAX_MEMBERS:
        left = f"{len(found.members) - MAX_MEMBERS:,} more"
        part.properties.add(model.Property(name="gemel:members-not-listed", value=left))
    return part


def _compilers(component: Any, kinds: Any, build: str, made: MadeOf | None) -> list[Any]:
    """The compilers as components that are no part of the product."""
    found = sorted({compiler_of(producer) for producer in (made.producers if made else ())})
    return [
        component.Component(
            name=name,
            version=version or None,
            type=kinds.APPLICATION,
            scope=component.ComponentScope.EXCLUDED,
            bom_ref=f"build:{build}:tool:{name}@{version}",
        )
        for name, version in found
    ]


def merge_sbom(bom: Any, data: bytes, name: str, prefix: str) -> list[Any]:
    """Put the components and dependencies of a team's SBOM into ``bom``, its references with ``prefix``.

    The components that its subject depends on, or its subject if it names one, are given back.
    """
    try:
        return _merged(bom, json.loads(data), prefix)
    except _TooManyParts as error:
        what, step = "the SBOM is too large to merge", "give one of what is linked into the build alone"
        expected = f"at most {MAX_PARTS:,} components and dependencies, {MAX_DEPTH} inside each other"
        raise UsageProblem(what, where=f"--sbom {name}", expected=expected, next_step=step) from error
    except Exception as error:  # the library raises errors of many kinds for what is no CycloneDX
        what, step = "not a CycloneDX SBOM in JSON", "export it as CycloneDX JSON, 1.2 to 1.6"
        reason = _reason(data, error)[:200]
        raise UsageProblem(what, where=f"--sbom {name}", found=reason, next_step=step) from error


def _reason(data: bytes, error: Exception) -> str:
    """What the file is in place of JSON, where it ends to be it, or what the library says of it."""
    if isinstance(error, json.JSONDecodeError | UnicodeDecodeError):
        if other := instead_of_toml(data[:LOOK]):
            return other
        if isinstance(error, UnicodeDecodeError):
            return f"byte 0x{data[error.start]:02X} at offset {error.start}: no text in UTF-8"
        return f"no JSON in line {error.lineno}: {error.msg[:1].lower()}{error.msg[1:]}"
    return str(error) if type(error) is ValueError else f"{type(error).__name__}: {error}"


class _TooManyParts(ValueError):
    """More components and dependencies than MAX_PARTS, or deeper inside each other than MAX_DEPTH."""


def _merged(bom: Any, found: Any, prefix: str) -> list[Any]:
    bom_module, refs = library("cyclonedx.model.bom", USE), library("cyclonedx.model.bom_ref", USE)
    dependency, output = library("cyclonedx.model.dependency", USE), library("cyclonedx.output.json", USE)
    if not isinstance(found, dict) or found.get("bomFormat") != "CycloneDX":
        raise ValueError('no "bomFormat": "CycloneDX"')
    parts = [found.get("metadata"), found.get("components"), found.get("dependencies")]
    _refuse_other_types(parts)
    if sum(map(_cost, parts)) > MAX_PARTS * ENTRIES_OF_A_PART:
        raise _TooManyParts
    given = bom_module.Bom.from_json({key: found[key] for key in MERGED if key in found})
    _json_of(output, given)
    subject = given.metadata.component if given.metadata else None
    top = [*([subject] if subject else []), *given.components]
    every = [part for each in top for part in (each, *each.get_all_nested_components())]
    names: dict[str | None, Any] = {}
    for number, part in enumerate(dict.fromkeys(every), 1):
        old = part.bom_ref.value
        part.bom_ref.value = f"{prefix}{old or number}"
        if old:
            names[old] = part.bom_ref.value
    for part in top:
        bom.components.add(part)
    for each in given.dependencies:
        if each.ref.value in names.values() or each.ref.value in names:
            bom.dependencies.add(
                dependency.Dependency(
                    ref=refs.BomRef(names.get(each.ref.value, each.ref.value)),
                    dependencies=[
                        dependency.Dependency(ref=refs.BomRef(names.get(inner.ref.value, inner.ref.value)))
                        for inner in each.dependencies
                        if inner.ref.value in names or inner.ref.value in names.values()
                    ],
                )
            )
    return [subject] if subject else list(given.components)


def _json_of(output: Any, bom: Any) -> str:
    """``bom`` as JSON, without the library's warnings about what a team's document leaves out."""
    version = library("cyclonedx.schema", USE).SchemaVersion.V1_6
    subject = bom.metadata.component if bom.metadata else None
    _register(bom, None, [*([subject] if subject else []), *bom.components, *bom.services])
    bom.register_dependency = lambda target, depends_on=None: None
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        text: str = output.BY_SCHEMA_VERSION[version](bom).output_as_string()
    return text


def _cost(value: object, depth: int = 0) -> int:
    """How many entries all lists have, components and dependencies counted for more."""
    if depth > MAX_DEPTH:
        raise _TooManyParts
    if isinstance(value, list):
        return sum(1 + _cost(each, depth + 1) for each in value)
    if not isinstance(value, dict):
        return 0
    is_part = "ref" in value or {"type", "name"} <= value.keys()
    return sum(_cost(each, depth) for each in value.values()) + (ENTRIES_OF_A_PART - 1) * is_part


def _refuse_other_types(value: object) -> None:
    """Raise ValueError for a name or the like that is no text; the library takes anything there."""
    if isinstance(value, list):
        for each in value:
            _refuse_other_types(each)
    elif isinstance(value, dict):
        for key, each in value.items():
            if key in TEXTS and not isinstance(each, str):
                raise ValueError(f"{key} is no text: {each!r:.60}")
            _refuse_other_types(each)


def _written(bom: Any, image: bytes) -> bytes:
    """``bom`` as JSON text; its serial number follows from the contents and the image."""
    data = json.loads(_json_of(library("cyclonedx.output.json", USE), bom))
    data.pop("serialNumber", None)
    data.get("metadata", {}).pop("timestamp", None)
    epoch = os.environ.get("SOURCE_DATE_EPOCH", "")
    if epoch.isascii() and epoch.isdigit() and int(epoch) < 1 << 37:
        import datetime

        made = datetime.datetime.fromtimestamp(int(epoch), datetime.UTC)
        data["metadata"]["timestamp"] = made.strftime("%Y-%m-%dT%H:%M:%SZ")
    digest = hashlib.sha256(json.dumps(data, sort_keys=True).encode() + image).hexdigest()
    data["serialNumber"] = f"urn:uuid:{uuid.uuid5(NAMESPACE, digest)}"
    return json_text(dict(sorted(data.items()))).encode("ascii")


def _register(bom: Any, target: Any | None, others: Sequence[Any]) -> None:
    """Have ``bom`` list ``others``, and ``target`` as what depends on them; the library's own function is quadratic."""
    dependency = library("cyclonedx.model.dependency", USE).Dependency
    known = {each.ref.value: each for each in bom.dependencies}
    for each in [*([target] if target else []), *others]:
        if each.bom_ref.value not in known:
            known[each.bom_ref.value] = dependency(ref=each.bom_ref)
            bom.dependencies.add(known[each.bom_ref.value])
    if target:
        known[target.bom_ref.value].dependencies.update(dependency(ref=each.bom_ref) for each in others)


def _sha256(model: Any, digest: str) -> Any:
    return model.HashType(alg=model.HashAlgorithm.SHA_256, content=digest)
