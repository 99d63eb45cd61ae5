"""Whose seals are accepted: the layout's trusted keys, and what the command line makes of them."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING

from gemel.errors import GemelError, Problem, UsageProblem
from gemel.files.paths import FilePath
from gemel.files.reading import beginning_of
from gemel.layout.reader import ReadLayout
from gemel.policy.reader import NO_RECEIVER, Receiver
from gemel.structs import NamedTuple, replace

if TYPE_CHECKING:
    from pathlib import Path

    from gemel.policy.reader import ReadPolicy
    from gemel.seals.keys.keys import PublicKey


class Trust(NamedTuple):
    """Whose seals are accepted.

    ``trusted`` keys count; ``known`` ones are the layout's that the receiver leaves out: their signatures
    must hold and count for nothing.  ``receiver`` is what is demanded beyond the layout.  ``missing`` are files
    of the layout's keys that are not in its folder, which does no harm where other keys are given.
    """

    trusted: tuple[PublicKey, ...]
    known: tuple[PublicKey, ...]
    receiver: Receiver
    missing: tuple[str, ...] = ()

    def remarks(self, read: ReadLayout) -> list[Problem]:
        """What is to be said of keys of the layout whose files are not there."""
        what = "a key that the layout trusts cannot be read; the keys of --trust count"
        return [
            Problem(
                what,
                where=f"trust in [seal] of {read.file}",
                found=f"no {name} in the layout's folder",
                next_step="put the file there, if its key is to count too",
            )
            for name in self.missing
        ]


def trusted_keys(read: ReadLayout) -> tuple[PublicKey, ...]:
    """The keys that count by the layout, as ``trust_of`` says."""
    return trust_of(read).trusted


def trust_of(read: ReadLayout, given: Sequence[FilePath] = (), policy: ReadPolicy | None = None) -> Trust:
    """The keys of the layout's ``trust``; of those, where some are ``given``, only these.

    A layout that trusts no key leaves the choice to who gives some.  A policy's keys narrow both; the layout's
    others are not known then.  Each key comes once.  With keys given or a policy a seal is required.

    Raises UsageProblem with all that is wrong: files that cannot be read or hold no public key, a given key
    that layout or policy do not trust, a policy that leaves no key, keys for a layout without a seal.
    """
    problems: list[Problem] = []
    ours = _read(given, "--trust", problems)
    return _narrowed(read, ours, policy, problems)


def trust_in(
    read: ReadLayout, keys: Sequence[PublicKey] | None = None, policy: ReadPolicy | None = None
) -> Trust:
    """The same for ``keys`` that were read before (None: those of the layout, which says what is demanded)."""
    if keys is not None and not keys:
        step = "pass the keys whose seals are accepted, or None for those that the layout trusts"
        raise UsageProblem(
            "no key is given whose seal could be accepted", where="trusted", found="none", next_step=step
        )
    return _narrowed(read, [(FilePath(""), key) for key in keys or ()], policy, [])


def trust_of_signer(keys: Sequence[PublicKey]) -> Trust:
    """The trust of the person who has just sealed an image: the layout's demands stand alone."""
    return Trust(tuple(keys), (), NO_RECEIVER)


def _narrowed(
    read: ReadLayout,
    ours: list[tuple[FilePath, PublicKey]],
    policy: ReadPolicy | None,
    problems: list[Problem],
) -> Trust:
    """The layout's keys, narrowed by ``ours`` and the policy's; ``problems`` are those of reading ours."""
    receiver = Receiver(bool(ours) or bool(problems), policy)
    plan = read.layout.seal
    if plan is None:
        if receiver.demands_seal:
            raise UsageProblem(_no_seal(read, receiver))
        return Trust((), (), receiver)
    from gemel.files.inside import leads_outside

    folder = FilePath(read.file).parent
    origin = f"trust in [seal] of {read.file}"
    lead = {name: None if read.paths_outside else leads_outside(folder, name, origin) for name in plan.trust}
    missing = tuple(name for name in plan.trust if ours and (lead[name] or not os.path.exists(folder / name)))
    names = [name for name in plan.trust if name not in missing]
    outside = [lead[name] for name in names]
    problems += filter(None, outside)
    own = [] if any(outside) else _read([folder / name for name in names], origin, problems, plain=True)
    theirs = policy_keys(policy, problems) if policy else ()
    if problems:
        raise UsageProblem(problems)
    layouts = tuple(dict.fromkeys(key for _, key in own))
    problems = [
        *([] if missing else _outside(ours, layouts, read.name)),
        *(_outside(ours, theirs, policy.name) if policy else ()),
    ]
    if problems:
        raise UsageProblem(problems)
    given = tuple(dict.fromkeys(key for _, key in ours))
    if policy and not (given or theirs):
        raise UsageProblem(_no_key(policy))
    named = tuple(key for key in (() if missing else layouts) or theirs if not theirs or key in theirs)
    trusted = tuple(key for key in named or given if not given or key in given)
    if policy and layouts and not (named or missing):
        raise UsageProblem(_no_common_key(policy, read))
    left_out = named if theirs or not policy else ()
    return Trust(trusted, tuple(key for key in left_out if key not in trusted), receiver, missing)


def policy_keys(policy: ReadPolicy, problems: list[Problem]) -> tuple[PublicKey, ...]:
    """The keys that a policy trusts; what is wrong with their files goes to ``problems``."""
    folder = FilePath(policy.file).parent
    read = _read([folder / name for name in policy.policy.trust], f"trust in {policy.file}", problems)
    return tuple(dict.fromkeys(key for _, key in read))


def load_policy(path: str | Path) -> ReadPolicy:
    """Read a receiver's policy; raises PolicyError or UsageProblem.

    One with ``only_built_in_rules`` keeps the rules of packages out of every later check in this process.
    """
    from gemel.checking.registry import own_rules_only

    read = policy_in(FilePath(path))
    if read.policy.only_built_in_rules:
        own_rules_only(f"only_built_in_rules in {read.name}")
    return read


def given_policy(path: str | Path | None) -> ReadPolicy | None:
    """The policy of an option, if it was given."""
    return load_policy(path) if path else None


def policy_in(path: FilePath) -> ReadPolicy:
    """What the policy file says; raises PolicyError or UsageProblem."""
    from gemel.checking.registry import rule_names
    from gemel.policy.reader import MAX_BYTES, read_policy
    from gemel.seals.keys.algorithms import ALGORITHMS

    data = beginning_of(path, MAX_BYTES)
    return read_policy(data, str(path), rule_names(), [each.name for each in ALGORITHMS])


def _outside(
    given: Iterable[tuple[FilePath, PublicKey]], trusted: Sequence[PublicKey], name: str
) -> Iterator[Problem]:
    """The given keys that a file, which trusts some, does not trust."""
    for path, key in given if trusted else ():
        if key not in trusted:
            found = f"{key.algorithm.name} key {key.fingerprint.hex()[:16]}...{f' in {path}' if path.name else ''}"
            expected = f"one of the keys that {name} trusts"
            step = f"--trust narrows the trust of {name}; to widen it, add the file to trust there"
            what = f"{name} does not trust this key"
            yield Problem(what, where="--trust", found=found, expected=expected, next_step=step)


def _no_seal(read: ReadLayout, receiver: Receiver) -> Problem:
    option = "--policy" if receiver.policy else "--trust"
    step = f'add an area of purpose "seal", and name it in a table [seal], or leave {option} out'
    what = f"{option} requires a seal by a trusted key, and the layout has no seal"
    return Problem(what, where=read.file, found="no [seal]", expected="[seal]", next_step=step)


def _no_key(policy: ReadPolicy) -> Problem:
    step = "name the public keys of the release in trust there, or give --trust KEY"
    what = "the policy does not say whose seals are accepted"
    return Problem(what, where=policy.file, found="no trust", expected="trust", next_step=step)


def _no_common_key(policy: ReadPolicy, read: ReadLayout) -> Problem:
    step = "a policy only narrows: have the sender name your release key in [seal] trust, or no key at all"
    return Problem(
        "policy and layout trust no key in common: no seal could be accepted",
        where=policy.file,
        found=f"other keys in {read.name}",
        expected="one of its keys",
        next_step=step,
    )


def _read(
    paths: Iterable[FilePath], origin: str, problems: list[Problem], *, plain: bool = False
) -> list[tuple[FilePath, PublicKey]]:
    """Each file's key; what is wrong with a file goes to ``problems``, with who named it; ``plain`` allows no pipe."""
    from gemel.workflows.inputs.keys import public_keys

    keys = []
    for path in paths:
        try:
            keys += [(path, key) for key in public_keys([path], plain=plain)]
        except GemelError as error:
            for each in error.problems:
                where = f"{each.where} ({origin})"
                step = each.next_step or "give a file with the public key (gemel keys show --help)"
                if plain and "gemel keys public" in step:
                    step = f"{step}; name that in trust"
                elif plain:
                    step = "put the public key there, or give the one that you trust with --trust PUBKEY"
                problems.append(replace(each, where=where, next_step=step))
    return keys
