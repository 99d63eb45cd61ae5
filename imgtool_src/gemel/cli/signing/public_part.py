"""The public part of whatever key is named: a file with a private or a public one, or a key on a token."""

from __future__ import annotations

from enum import Enum

from gemel.cli.signing.key_options import GivenKeys
from gemel.cli.signing.pass_phrases import PassPhrases
from gemel.errors import UsageProblem
from gemel.files.paths import FilePath
from gemel.seals.keys.keys import PublicKey
from gemel.seals.keys.token_uri import is_token_uri, parse_token_uri
from gemel.structs import Struct
from gemel.workflows.inputs.keys import key_file_bytes


class KeySource(Enum):
    """Where a public part was found; ``value`` is its text."""

    PUBLIC = "public key"
    PRIVATE = "private key, no pass phrase"
    ENCRYPTED = "private key, encrypted"
    TOKEN = "private key on a token"  # noqa: S105 - no secret


class PublicPart(Struct):
    """A public key, and what it was found in; ``name`` holds nothing secret."""

    name: str
    kind: KeySource
    key: PublicKey


def public_part(text: str, phrases: PassPhrases) -> PublicPart:
    """The public part of the key that ``text`` names, by file or ``pkcs11:`` URI.

    Prompts for a pass phrase where the key needs one.  Raises UsageProblem and KeyFileError.
    """
    if is_token_uri(text):
        name, kind = str(parse_token_uri(text)), KeySource.TOKEN
    else:
        name, kind = text, _kind_of(key_file_bytes(FilePath(text)))
    if kind is KeySource.PUBLIC:
        from gemel.seals.keys.files import load_public_key

        if phrases.given:
            raise UsageProblem("a public key has no pass phrase", where=name, next_step="leave it out")
        return PublicPart(name, kind, load_public_key(key_file_bytes(FilePath(text)), name))
    with GivenKeys([text], phrases, open_keys=True) as keys:
        return PublicPart(name, kind, keys.open()[0].public_key)


def _kind_of(data: bytes) -> KeySource:
    """What a file holds; whatever is no private key is left to the reader of public keys to refuse."""
    from gemel.seals.keys.blocks import key_blocks, why_not_private
    from gemel.seals.keys.files import is_encrypted

    if is_encrypted(data):
        return KeySource.ENCRYPTED
    blocks = key_blocks(data)
    labels = [block.label for block in blocks]
    if any(label.endswith("PRIVATE KEY") for label in labels):
        return KeySource.PRIVATE
    return KeySource.PRIVATE if labels == [""] and why_not_private(blocks[0]) is None else KeySource.PUBLIC
