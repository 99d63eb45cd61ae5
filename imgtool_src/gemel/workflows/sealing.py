"""What joining and signing share about seals: when one is required, and the rules that hold before it is there."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Protocol

from gemel.checking.rule import Rule
from gemel.errors import UsageProblem
from gemel.files.paths import FilePath
from gemel.image.image import Image
from gemel.image.sparse import SparseBytes
from gemel.layout.model import Layout
from gemel.layout.reader import ReadLayout
from gemel.seals.demands import SEAL_RULES, demanded_words, least_signers
from gemel.seals.keys.algorithms import SignatureAlgorithm

if TYPE_CHECKING:
    from pathlib import Path

    from gemel.seals.keys.keys import PrivateKey, PublicKey, Signer
    from gemel.seals.seal import Seal

MORE_KEYS = (
    "give further keys with --key, or gemel join --leave-unsealed, and collect signatures with gemel sign"
)
"""What to do where ``join`` or ``release`` has too few keys."""

MORE_SIGNERS = "give them too, keep those that the image has with --add, or say --more-to-come"
"""What to do where ``sign`` has too few signers."""

SUFFICIENT = "seal-signers-sufficient"
"""The rule that a seal breaks as long as further signers are expected."""


class SignerSource(Protocol):
    """Keys that are opened only when something is about to be signed."""

    def __len__(self) -> int:
        """How many keys."""

    def open(self) -> list[Signer]:
        """All of them, ready to sign."""

    @property
    def known_algorithms(self) -> list[SignatureAlgorithm]:
        """The algorithms of those keys that are known without opening them."""


class ReadyKeys:
    """Keys that are open already, as scripts have them."""

    def __init__(self, keys: Sequence[Signer]) -> None:
        self._keys = list(keys)

    def __len__(self) -> int:
        return len(self._keys)

    def open(self) -> list[Signer]:
        """All of them."""
        return self._keys

    @property
    def known_algorithms(self) -> list[SignatureAlgorithm]:
        """Their algorithms."""
        return [key.algorithm for key in self._keys]


def refuse_unsealable(layout: Layout, keys: SignerSource, leave_unsealed: bool) -> None:
    """Hold the wish to seal, or not to, against the layout, before anything is prompted for or signed.

    Raises UsageProblem for wishes that cannot be, and where a seal is required and no key is given or too
    few; SealError where the area is too small for what is known of the keys.
    """
    if keys and leave_unsealed:
        raise UsageProblem(
            "an image is sealed or left unsealed",
            found="--key and --leave-unsealed",
            expected="one of them",
            next_step="leave one out",
        )
    if keys:
        from gemel.seals.sealing import check_sealable

        plan = check_sealable(layout, keys.known_algorithms)
        if len(keys) < least_signers(plan):
            what, found = "fewer keys than the layout demands signers", f"{len(keys)} --key"
            raise UsageProblem(
                what, where="seal", found=found, expected=demanded_words(plan), next_step=MORE_KEYS
            )
    elif layout.seal and layout.seal.required and not leave_unsealed:
        raise UsageProblem(
            "the layout requires a seal, and no key is given",
            where="seal",
            found="no --key",
            expected="a key (required = true in [seal])",
            next_step="give --key KEY, or gemel join --leave-unsealed, and seal the image later with gemel sign",
        )


def sealed_with(layout: Layout, image: SparseBytes, signers: Sequence[Signer]) -> Seal:
    """Seal ``image`` with signers enough for the layout; raises as ``seal`` and ``refuse_too_few``."""
    from gemel.seals.sealing import refuse_too_few, sealed_plan
    from gemel.seals.sealing import seal as put_signatures

    refuse_too_few(sealed_plan(layout), [signer.algorithm for signer in signers], MORE_KEYS)
    return put_signatures(layout, image, signers)


def rules_without_seal() -> list[Rule]:
    """Every rule that an image must keep before it has its seal."""
    from gemel.checking.registry import all_rules

    return [rule for rule in all_rules() if not rule.name.startswith(SEAL_RULES)]


def rules_of_a_part() -> list[Rule]:
    """Every rule that an image must keep while further signers of its seal are expected."""
    from gemel.checking.registry import all_rules

    return [rule for rule in all_rules() if rule.name != SUFFICIENT]


def seal(layout: ReadLayout, image: Image, signers: Sequence[Signer]) -> Image:
    """A sealed copy of ``image``: every one of ``signers`` signs its record; a seal that it has is replaced.

    Check the image first: anyone who signs vouches for it.  Raises UsageProblem where the layout has no seal or
    demands other or more signers, SealError where its area is too small, RecordError without a sound record.
    """
    from gemel.structs import replace

    sealed = replace(image, data=image.data.copy())
    sealed_with(layout.layout, sealed.data, signers)
    return sealed


def load_key(path: str | Path, pass_phrase: str | bytes | None = None) -> PrivateKey:
    """The private key in a file (PEM or DER), unlocked by ``pass_phrase`` where it has one.

    Raises KeyFileError: no key, a wrong or missing pass phrase, an algorithm that no seal can have.
    """
    from gemel.seals.keys.files import load_private_key
    from gemel.workflows.inputs.keys import key_file_bytes

    phrase = pass_phrase.encode() if isinstance(pass_phrase, str) else pass_phrase
    return load_private_key(key_file_bytes(FilePath(path)), str(path), phrase)


def load_public_key(path: str | Path) -> PublicKey:
    """The public key in a file (PEM or DER); raises KeyFileError."""
    from gemel.workflows.inputs.keys import public_keys

    return public_keys([FilePath(path)])[0]
