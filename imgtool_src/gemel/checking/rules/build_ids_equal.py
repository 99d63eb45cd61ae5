"""Rule ``build-ids-equal``: build, record and image name the same build id."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.rule import Rule
from gemel.inspection.build_ids import id_words, recorded_id, stored_notes
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import concerned, needs_elf
from gemel.outcomes import Finding, Holds, Need, NotChecked, Outcome, Reason
from gemel.spans import Span, format_address
from gemel.structs import replace


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each build, or a finding for each of record and image that says otherwise."""
    held = {name: _held_instead(inspection, name) for name in inspection.layout.builds}
    exchanged = {name: other for name, other in held.items() if other and held[other] == name}
    names = list(inspection.layout.builds)
    for index, name in enumerate(names):
        if name not in exchanged:
            yield from _outcomes(inspection, name)
        elif exchanged[name] in names[index:]:
            yield _exchanged(inspection, name, exchanged[name])


def _held_instead(inspection: Inspection, name: str) -> str:
    """The build whose build id the image holds in the place of another; empty if it is none."""
    found = [note.build_id for note in stored_notes(inspection, name)] if name in inspection.placed else []
    ids = {
        each: {_given_id(inspection, each), recorded_id(inspection, each)}
        for each in inspection.layout.builds
    }
    if not found or ids[name].intersection(found):
        return ""
    return next((each for each, own in ids.items() if own.intersection(found)), "")


def _exchanged(inspection: Inspection, name: str, other: str) -> Finding:
    """One finding for two builds that are each where the other should be."""
    stored, place = inspection.placed[name].stored, inspection.placed[other].stored
    return Finding(
        f"builds {name} and {other} are in each other's place",
        concerned(*_parties(inspection, name), *_parties(inspection, other)),
        where=f"build {name} in {stored}, and build {other} in {place}",
        found=f"the build id of build {other} in the place of build {name}, and the other way round",
        expected="each build's own build id in its place",
        span=stored,
        next_step=f"join again, each file by the name of its own build: {name}=FILE {other}=FILE",
    )


def _outcomes(inspection: Inspection, name: str) -> Iterator[Outcome]:
    where = f"build {name}"
    build = inspection.builds.get(name)
    known, source = (_given_id(inspection, name), build.file) if build and build.build_id else (None, "")
    recorded = recorded_id(inspection, name)
    findings = []
    if known and recorded and recorded != known:
        findings.append(_in_record(inspection, name, recorded, known, source))
    if not known and recorded:
        known, source = recorded, "the record"
    if not known:
        yield NotChecked(where, needs_elf(name, build, "build id"))
        return
    notes = stored_notes(inspection, name)
    ids = [note.build_id for note in notes]
    if ids and known not in ids:
        in_image = _in_image(inspection, name, known, source)
        if findings and ids == [recorded]:  # one other build is there, and the record says so
            findings = [
                replace(in_image, parties=findings[0].parties, lines=("the record names the same other one",))
            ]
        else:
            findings.append(in_image)
    if findings:
        yield from findings
    elif ids or (recorded and source != "the record"):
        yield Holds(where)
    else:
        yield NotChecked(where, _only_source(name, source, recorded == b""))


def _only_source(name: str, source: str, none_recorded: bool) -> str:
    """Why there is nothing to hold the one known build id against."""
    missing = "the image holds no build id note at the build's place (keep its section in flash at link)"
    if source != "the record" and none_recorded:
        return f"the record names none, as of a build that was joined from a file without one, and {missing}"
    if source == "the record":
        return Reason(
            f"only {source} shows its build id: {missing}; needs the ELF file: {name}=FILE",
            Need("build", name),
        )
    return f"only {source} shows its build id: {missing}, and no record shows it"


def _parties(inspection: Inspection, name: str) -> tuple[str, ...]:
    plan = inspection.layout.builds[name]
    return concerned(name, plan.core, plan.stored_in)


def _in_record(inspection: Inspection, name: str, recorded: bytes, known: bytes, source: str) -> Finding:
    area = _record_area(inspection)
    return Finding(
        f"the record names another build id for build {name} than the given build has",
        concerned(*_parties(inspection, name), area),
        where=f"record in area {area}, entry {name}",
        found=recorded.hex() or "none",
        expected=f"{known.hex()}, as in {source}",
        follows_from=(("seal-over-this-record", area),),
    )


def _in_image(inspection: Inspection, name: str, known: bytes, source: str) -> Finding:
    notes = stored_notes(inspection, name)
    stored = inspection.placed[name].stored
    places = [format_address(stored.start + note.offset) for note in notes]
    ids = [note.build_id for note in notes]
    others = [
        other
        for other in inspection.layout.builds
        if other != name and {recorded_id(inspection, other), _given_id(inspection, other)} & {*ids}
    ]
    first = notes[0]
    return Finding(
        f"the image holds another build {name} than {source} names",
        _parties(inspection, name),
        where=f"build {name} in {stored}, build id note at {', '.join(places[:3])}",
        found=id_words(ids),
        expected=f"{known.hex()}, as in {source}",
        span=Span(stored.start + first.offset, 16 + len(first.build_id)),
        next_step=_next_step(name, ids, source, bool(others)),
        lines=tuple(f"that is the build id of build {other}" for other in others),
        follows_from=(("seal-over-this-record", _record_area(inspection)),) if source == "the record" else (),
    )


def _next_step(name: str, ids: list[bytes], source: str, others: bool) -> str:
    """What to do where the image holds ``ids`` and ``source`` names another one; ``others``: of another build."""
    if others:
        return f"join again, each file by the name of its own build: {name}=FILE"
    if source == "the record":
        return ""
    return f"give the file whose build id is {ids[0].hex()}, or join again with {source}"


def _given_id(inspection: Inspection, name: str) -> bytes | None:
    build = inspection.builds.get(name)
    return build.build_id if build else None


def _record_area(inspection: Inspection) -> str:
    return inspection.layout.record.area if inspection.layout.record else ""


RULE = Rule(
    name="build-ids-equal",
    severity="error",
    guards="image",
    checks="The build id note at each build's place in the image and the build id in the record are those of the "
    "given build, or, where none is given, equal.",
    why="A build id names one link of one build. A different one means that the device runs code that neither team "
    "built or tested, or that one of two cores was updated and the other was not.",
    remedy="Get the image again, whole, or join again from the builds.",
    source='System V gABI, section "Note Section" (recognised by name and type); that the note of type 3 and '
    "name GNU holds the build id is a convention of linkers; common practice",
    absent="the layout has no build",
    check=check,
)
