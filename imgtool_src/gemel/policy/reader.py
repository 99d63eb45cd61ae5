"""Reading a policy: TOML text to the frozen model, with every fault of it reported at once."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Sequence

from gemel.errors import GemelError, nearest_hint
from gemel.files.contents import LOOK, instead_of_toml
from gemel.files.paths import FilePath
from gemel.layout.kinds import INVALID, LayoutFault
from gemel.layout.reader import EXPECTED, FileOfToml, problems_of
from gemel.layout.tables import OF_OTHERS, Table
from gemel.policy.model import Policy
from gemel.structs import Struct
from gemel.text.escaping import in_toml
from gemel.uuids import uuid_in

MAX_BYTES = 64 << 10
"""A policy file over 64 KiB is refused: none is that large."""

MAX_LINE = 2000
"""Characters of a line; the parser's time grows faster than the length of some lines."""


class PolicyError(GemelError):
    """A file is no policy."""


_POLICY = FileOfToml(
    "policy",
    "give the policy here; a public key is given with --trust, an image after the layout",
    PolicyError,
)


class ReadPolicy(Struct):
    """A valid policy, the file it came from and the SHA-256 of that file's bytes."""

    policy: Policy
    file: str
    sha256: bytes

    @property
    def name(self) -> str:
        """The file's name without its folder, for reports, which hold no paths."""
        return FilePath(self.file).name


def read_policy(
    data: bytes, file: str, rule_names: Iterable[str] = (), algorithm_names: Sequence[str] = ()
) -> ReadPolicy:
    """Read the policy in ``data``; ``file`` is its name in messages.

    ``rule_names`` and ``algorithm_names`` are those that exist.  Raises PolicyError with all faults (the first
    MAX_FAULTS of them).
    """
    text = _text_of(data, file)
    document = _POLICY.document_of(text, file)
    faults: list[LayoutFault] = []
    table = Table(Policy)
    strange = table.none_known(document, "policy", OF_OTHERS)
    faults += [strange] if strange else []
    policy = INVALID if strange else table.read(document, (), faults.append)
    if policy is not INVALID:
        faults += _unknown_names(policy, list(rule_names), algorithm_names)
        faults += _ids(policy)
    if faults:
        raise PolicyError(problems_of(faults, file, text))
    return ReadPolicy(policy, file, hashlib.sha256(data).digest())


def _unknown_names(policy: Policy, rules: list[str], algorithms: Sequence[str]) -> Iterator[LayoutFault]:
    for name, values, known, what in (
        ("unwaivable", policy.unwaivable or (), rules, "the name of a rule"),
        ("algorithms", policy.algorithms, algorithms, "the name of a seal's algorithm"),
    ):
        for index, value in enumerate(values):
            if value not in known:
                hint = nearest_hint(value, known)
                if not hint and name == "algorithms":
                    hint = f"write one or more of {', '.join(known)}"
                yield LayoutFault(
                    (name, index), "unknown name", found=in_toml(value), expected=what, next_step=hint
                )


def _ids(policy: Policy) -> Iterator[LayoutFault]:
    """A class that is no UUID counts under its vendor, so the vendor must be named."""
    if policy.product_class is None or policy.vendor is not None:
        return
    if not uuid_in(policy.product_class):
        found, expected = in_toml(policy.product_class), "vendor too, or a UUID"
        yield LayoutFault(("class",), "a class without its vendor", found=found, expected=expected)


def _text_of(data: bytes, file: str) -> str:
    if len(data) > MAX_BYTES:
        if other := instead_of_toml(data[:LOOK]):
            what, step = "this is not a policy", _POLICY.instead
            raise PolicyError(what, where=file, found=other, expected=EXPECTED, next_step=step)
        found, expected = f"{len(data):,} bytes or more", f"at most {MAX_BYTES:,} bytes"
        raise PolicyError("the policy file is too large", where=file, found=found, expected=expected)
    text = _POLICY.text_of(data, file)
    for number, line in enumerate(text.split("\n"), 1):
        if len(line) > MAX_LINE:
            found, expected = f"{len(line):,} characters", f"at most {MAX_LINE:,}"
            raise PolicyError("a line is too long", where=f"{file}:{number}", found=found, expected=expected)
    return text


class Receiver(Struct):
    """``trusts_keys``: keys were named (--trust, or a policy), so a seal by them is required.

    ``policy`` is the receiver's own, if there is one; without it the layout's demands stand alone.
    """

    trusts_keys: bool = False
    policy: ReadPolicy | None = None

    @property
    def demands_seal(self) -> bool:
        """Whether a seal is required, even where the layout requires none."""
        return self.trusts_keys or self.policy is not None

    @property
    def words(self) -> str:
        """Who demands the seal, for messages."""
        return f"policy {self.policy.name}" if self.policy else "--trust"


NO_RECEIVER = Receiver()
"""Nobody demands more than the layout does."""
