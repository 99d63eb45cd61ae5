"""Whose seals are taken: the layout's trusted keys, and what the command line makes of them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from gemel.errors import GemelError, Problem, UsageProblem
from gemel.workflows.key_inputs import public_keys

if TYPE_CHECKING:
    from gemel.layout.reader import ReadLayout
    from gemel.seals.keys.keys import PublicKey


def trusted_keys(read: ReadLayout, given: Sequence[Path] = ()) -> tuple[PublicKey, ...]:
    """The keys of the layout's ``trust``; of those, where some are ``given``, only these.

    A layout that trusts no key leaves the choice to who gives some.  Each key comes once, in the order of
    the layout.  Raises UsageProblem with all that is wrong: files that cannot be read or hold no public
    key, a given key that the layout does not trust, keys given for a layout without a seal.
    """
    plan = read.layout.seal
    if plan is None:
        if given:
            step = 'add an area of purpose "seal" and [seal] area = "NAME", or leave --trust out'
            what = "--trust says whose seals are taken, and the layout has no seal"
            raise UsageProblem(
                Problem(what, where=read.file, found="no [seal]", expected="[seal]", next_step=step)
            )
        return ()
    problems: list[Problem] = []
    folder = Path(read.file).parent
    own = _read([folder / name for name in plan.trust], f"trust in [seal] of {read.file}", problems)
    ours = _read(given, "--trust", problems)
    known = {key for _, key in own}
    for path, key in ours if plan.trust and not problems else ():
        if key not in known:
            found = f"{key.algorithm.name} key {key.fingerprint.hex()[:16]}... in {path}"
            expected = f"one of {', '.join(plan.trust)}"
            step = f"--trust narrows the layout's trust; to widen it, add the file to trust in {read.name}"
            what = "the layout does not trust this key"
            problems.append(Problem(what, where="--trust", found=found, expected=expected, next_step=step))
    if problems:
        raise UsageProblem(problems)
    wanted = {key for _, key in ours}
    chosen = ours if not plan.trust else [pair for pair in own if not given or pair[1] in wanted]
    return tuple(dict.fromkeys(key for _, key in chosen))


def _read(paths: Iterable[Path], origin: str, problems: list[Problem]) -> list[tuple[Path, PublicKey]]:
    """Each file's key; what is wrong with a file goes to ``problems``, with who named it."""
    keys = []
    for path in paths:
        try:
            keys += [(path, key) for key in public_keys([path])]
        except GemelError as error:
            for each in error.problems:
                where = f"{each.where} ({origin})"
                step = each.next_step or "give a file with the public key (gemel keys show --help)"
                problems.append(
                    Problem(each.what, where=where, found=each.found, expected=each.expected, next_step=step)
                )
    return keys
