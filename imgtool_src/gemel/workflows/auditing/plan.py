"""What an audit judges by: its layouts, keys and options, prepared once and sent to each process as a line of text."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterator
from typing import TYPE_CHECKING

from gemel.builds.part_notes import SUFFIX as PART_NOTES
from gemel.checking.registry import rule_names
from gemel.errors import GemelError, Problem, UsageProblem
from gemel.files.paths import FilePath
from gemel.layout.reader import NoLayoutError, ReadLayout
from gemel.structs import NamedTuple, Struct
from gemel.version import __version__
from gemel.workflows.inputs.layouts import load_layout
from gemel.workflows.trust import Trust, given_policy, policy_in, trust_of

if TYPE_CHECKING:
    import datetime

    from gemel.policy.reader import ReadPolicy

SUFFIX = ".toml"


class Options(Struct, kw_only=True):
    """What images are judged by besides their layouts; as for ``check``, and for all images alike.

    ``blocks``: the erase blocks of those that pass are kept in the index too.
    """

    trust: tuple[str, ...] = ()
    policy: str | None = None
    at_least: int | None = None
    at: int | None = None
    disassemble: bool = False
    blocks: bool = False
    paths_outside: bool = False
    date: datetime.date


class LayoutOfAudit(NamedTuple):
    """A layout of the audit: its file, the digest that records keep, and that of its file's bytes.

    ``judged_by`` stands for all that a verdict by this layout depends on besides the image: where it is the same,
    so is the verdict.
    """

    file: str
    digest: str
    sha256: str
    judged_by: str


class Plan(Struct):
    """The layouts of an audit by the digests that records keep, or the ``only`` one, and its options.

    ``remarks`` are about files of a folder of layouts that cannot be used.
    """

    layouts: dict[str, LayoutOfAudit]
    only: LayoutOfAudit | None
    options: Options
    remarks: tuple[Problem, ...] = ()

    def layout_for(self, digest: str | None) -> LayoutOfAudit | None:
        """The layout that an image is judged by whose record names this digest (None: it has no sound record)."""
        return self.only or self.layouts.get(digest or "")

    def as_line(self) -> str:
        """The plan as a line of JSON, for ``plan_of``."""
        options = {name: getattr(self.options, name) for name in Options.__annotations__}
        options["date"] = self.options.date.isoformat()
        layouts = [list(each) for each in self.layouts.values()]
        return json.dumps({"layouts": layouts, "only": self.only is not None, "options": options})


def plan_of(line: str) -> Plan:
    """The plan that ``as_line`` wrote."""
    import datetime

    data = json.loads(line)
    options = data["options"]
    options["date"] = datetime.date.fromisoformat(options["date"])
    options["trust"] = tuple(options["trust"])
    layouts = {each[1]: LayoutOfAudit(*each) for each in data["layouts"]}
    return Plan(layouts, next(iter(layouts.values())) if data["only"] else None, Options(**options))


def plan_for_layout(file: FilePath, options: Options) -> Plan:
    """The plan of an audit by one layout; raises what ``check`` raises for its layout, keys and policy."""
    absolute = _absolute(options)
    read = load_layout(file, paths_outside=options.paths_outside)
    policy = given_policy(absolute.policy)
    layout = _described(read, absolute, _trust(read, absolute, policy), policy)
    return Plan({layout.digest: layout}, layout, absolute)


def plan_for_folder(folder: FilePath, options: Options) -> Plan:
    """The plan of an audit by all layouts in a folder and below; those that cannot be used become remarks.

    Raises UsageProblem if none can be used, or if two say the same and judge otherwise.
    """
    absolute = _absolute(options)
    policy = given_policy(absolute.policy)
    found: dict[str, LayoutOfAudit] = {}
    remarks: list[Problem] = []
    problems: list[Problem] = []
    for file in _layouts_in(folder):
        try:
            read = load_layout(file, paths_outside=options.paths_outside)
            layout = _described(read, absolute, _trust(read, absolute, policy), policy)
        except GemelError as error:
            # What ``split`` writes next to a part has its own suffix, and is a layout only by chance of name.
            if not file.name.endswith(PART_NOTES) and not (
                isinstance(error, NoLayoutError) and _is_policy(file)
            ):
                remarks += error.problems
            continue
        first = found.setdefault(layout.digest, layout)
        if first.judged_by != layout.judged_by:
            problems.append(_two_verdicts(first, layout))
    if not found:
        remarks.insert(
            0,
            Problem(
                "the folder has no layout that can be used",
                where=str(folder),
                expected=f"layouts, named *{SUFFIX}",
                next_step="correct them, or name another folder",
            ),
        )
    if problems or not found:
        raise UsageProblem(problems or remarks)
    return Plan(found, None, absolute, tuple(remarks))


def trust_by(plan: Plan, read: ReadLayout) -> Trust:
    """Whose seals are accepted of images of a layout."""
    policy = given_policy(plan.options.policy)
    return _trust(read, plan.options, policy)


def _trust(read: ReadLayout, options: Options, policy: ReadPolicy | None) -> Trust:
    return trust_of(read, [FilePath(each) for each in options.trust], policy)


def _absolute(options: Options) -> Options:
    """The options with absolute paths: the processes have another working folder."""
    from gemel.structs import replace

    policy = _absolute_path(options.policy) if options.policy else None
    return replace(options, trust=tuple(map(_absolute_path, options.trust)), policy=policy)


def _absolute_path(file: str) -> str:
    return str(FilePath(os.path.join(os.getcwd(), file)))


def _layouts_in(folder: FilePath) -> Iterator[FilePath]:
    from pathlib import Path

    try:
        files = sorted(each for each in Path(folder).rglob(f"*{SUFFIX}") if each.is_file())
        if not files and not os.path.isdir(folder):
            raise NotADirectoryError(0, "no such folder")
    except OSError as error:
        raise UsageProblem(
            "the folder of layouts cannot be read",
            where=str(folder),
            found=error.strerror or str(error),
            next_step="check the path",
        ) from error
    yield from map(FilePath, files)


def _is_policy(file: FilePath) -> bool:
    """Whether a file that is no layout is a receiver's policy, as are kept next to layouts."""
    try:
        policy_in(file)
    except GemelError:
        return False
    return True


def _described(read: ReadLayout, options: Options, trust: Trust, policy: ReadPolicy | None) -> LayoutOfAudit:
    keys = [[key.fingerprint.hex() for key in keys] for keys in (trust.trusted, trust.known)]
    rules = read.layout.rules.waive
    # A day matters only where it is the last of a waiver; a policy counts the days until then.
    dates = [str(options.date)] if policy and rules else [str(options.date > each.until) for each in rules]
    parts = [
        __version__,
        repr(read.layout),
        keys,
        policy.sha256.hex() if policy else "",
        [options.at_least, options.at, options.disassemble, options.blocks, bool(options.trust)],
        dates,
        rule_names(),
    ]
    judged_by = hashlib.sha256(json.dumps(parts).encode()).hexdigest()
    return LayoutOfAudit(_absolute_path(read.file), read.digest.hex(), read.file_sha256.hex(), judged_by)


def _two_verdicts(first: LayoutOfAudit, second: LayoutOfAudit) -> Problem:
    return Problem(
        "two layouts have the same digest and judge images differently",
        where=second.file,
        found=f"also {first.file}",
        expected="one of them: they differ in rules, in trust or in a path alone",
        next_step="move one of them out of the folder",
    )
