"""The keys that a command was given: private keys in files and on tokens, and public keys in files.

Everything that can be known before a pass phrase is prompted for is reported before: files that are not there or
hold no key, tokens that are not there.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from types import TracebackType
from typing import TYPE_CHECKING, Any

from gemel.cli.printing import print_remarks
from gemel.cli.signing.pass_phrases import PassPhrases, phrase_of_file
from gemel.errors import GemelError, Problem, UsageProblem
from gemel.files.paths import FilePath
from gemel.structs import replace
from gemel.text.escaping import in_shell

if TYPE_CHECKING:
    from gemel.seals.keys.algorithms import SignatureAlgorithm
    from gemel.seals.keys.keys import PrivateKey, Signer
    from gemel.seals.keys.token_keys import Token
    from gemel.seals.keys.token_uri import TokenUri

MODULE_VARIABLE = "GEMEL_PKCS11_MODULE"
"""The environment variable that names the PKCS#11 library where a URI has no ``module-path``."""

_NO_LOCK = Problem("a pass phrase or PIN is given, and no key needs one", next_step="leave it out")


class KeyFile:
    """A private key's file; ``key`` is None as long as it needs its pass phrase."""

    def __init__(self, path: FilePath, open_keys: bool) -> None:
        """Read it.  Raises KeyFileError, and UsageProblem: also where others can, unless ``open_keys`` are taken."""
        from gemel.files.private_files import open_to_others
        from gemel.seals.keys.files import is_encrypted, load_private_key
        from gemel.seals.keys.keys import KeyFileError
        from gemel.workflows.inputs.keys import key_file_bytes

        self.path = path
        self.name = str(path)
        self._data = key_file_bytes(path)
        self.key: PrivateKey | None = None
        try:
            self.key = load_private_key(self._data, self.name)
        except KeyFileError:  # asked second: reading an RSA key takes 100 ms, and most keys are plain
            if not is_encrypted(self._data):
                raise
        found = open_to_others(path, "private key", str(path), f"chmod 600 {in_shell(str(path))}")
        if found and not open_keys:
            step = f"{found[0].next_step}; or --key-open-to-others, if nobody else is on this machine"
            raise UsageProblem(replace(found[0], next_step=step))
        print_remarks(found)

    @property
    def question(self) -> str:
        """How its pass phrase is prompted for."""
        return f"pass phrase of {self.name}"

    def unlock(self, phrase: bytes) -> None:
        """Decrypt it.  Raises KeyFileError for another pass phrase."""
        from gemel.seals.keys.files import load_private_key

        self.key = load_private_key(self._data, self.name, phrase)


class FoundToken:
    """A token that was found; open or not."""

    def __init__(self, token: Token) -> None:
        """Take a token that is closed."""
        self.token = token
        self.pin_file: str | None = None
        self.is_open = False

    @property
    def question(self) -> str:
        """How its PIN is prompted for."""
        return f"PIN of {self.token.text}"

    def unlock(self, pin: bytes | None) -> None:
        """Log in.  Raises KeyFileError for a wrong PIN."""
        self.token.open(pin)
        self.is_open = True


class GivenKeys:
    """The private keys of a command, by file and by ``pkcs11:`` URI; closes tokens when it is left."""

    def __init__(self, given: Sequence[str], phrases: PassPhrases, *, open_keys: bool) -> None:
        """Look for all of them; raises one UsageProblem or KeyFileError with all that is wrong.

        A file that others can read is refused, or with ``open_keys`` taken with a remark.
        """
        self._keys: list[KeyFile | tuple[FoundToken, TokenUri]] = []
        self._phrases = phrases
        self._open_keys = open_keys
        self._tokens: list[FoundToken] = []
        problems = [_NO_LOCK] if phrases.given and not given else []
        for text in given:
            try:
                self._keys.append(self._key(text))
            except GemelError as error:
                if len(given) == 1:
                    raise
                problems.extend(error.problems)
        if problems:
            raise UsageProblem(problems)

    @classmethod
    def of(cls, asked: Any) -> GivenKeys:
        """Those of a command that takes ``key_texts``, ``phrase_files``, ``phrase_names`` and ``open_keys``."""
        phrases = PassPhrases(asked.phrase_files, asked.phrase_names)
        return cls(asked.key_texts, phrases, open_keys=asked.open_keys)

    def __len__(self) -> int:
        return len(self._keys)

    def __enter__(self) -> GivenKeys:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for each in self._tokens:
            if each.is_open:
                each.token.close()

    @property
    def files(self) -> list[FilePath]:
        """The files among them."""
        return [key.path for key in self._keys if isinstance(key, KeyFile)]

    @property
    def known_algorithms(self) -> list[SignatureAlgorithm]:
        """The algorithms of those keys that can be known without a pass phrase."""
        return [key.key.algorithm for key in self._keys if isinstance(key, KeyFile) and key.key]

    def open(self) -> list[Signer]:
        """All of them, ready to sign; prompts for what pass phrases and PINs are needed.

        Raises UsageProblem: a pass phrase that cannot be had, a key given twice; KeyFileError: a wrong one, a
        token without the key.
        """
        self._unlock()
        signers: list[Signer] = []
        for key in self._keys:
            if not isinstance(key, KeyFile):
                found, uri = key
                signers.append(found.token.signer(uri))
            elif key.key:
                signers.append(key.key)
        prints = [signer.public_key.fingerprint for signer in signers]
        if len(set(prints)) < len(prints):
            raise UsageProblem(
                "a key is given twice",
                where="--key",
                found=next(each for each in prints if prints.count(each) > 1).hex(),
                expected="each key once",
                next_step="leave one out",
            )
        return signers

    def _unlock(self) -> None:
        locked: list[KeyFile | FoundToken] = []
        for key in self._keys:
            lock = key if isinstance(key, KeyFile) else key[0]
            if isinstance(lock, KeyFile):
                if lock.key is None:
                    locked.append(lock)
            elif not lock.is_open and lock not in locked:
                if lock.pin_file is not None:
                    lock.unlock(phrase_of_file(FilePath(lock.pin_file), "pin-source"))
                elif lock.token.asks_itself:
                    lock.unlock(None)
                else:
                    locked.append(lock)
        if not locked and self._phrases.given:
            raise UsageProblem(_NO_LOCK)
        for lock, phrase in zip(locked, self._phrases.of([each.question for each in locked]), strict=True):
            lock.unlock(phrase)

    def _key(self, text: str) -> KeyFile | tuple[FoundToken, TokenUri]:
        from gemel.seals.keys.token_uri import is_token_uri, parse_token_uri

        return (
            self._token_key(parse_token_uri(text))
            if is_token_uri(text)
            else KeyFile(FilePath(text), self._open_keys)
        )

    def _token_key(self, uri: TokenUri) -> tuple[FoundToken, TokenUri]:
        from gemel.seals.keys.token_keys import find_token

        module = uri.module_path or os.environ.get(MODULE_VARIABLE)
        if not module:
            step = f"add ?module-path=/PATH to the URI, or set {MODULE_VARIABLE}"
            raise UsageProblem("which PKCS#11 library drives the token?", where=str(uri), next_step=step)
        found = FoundToken(find_token(uri, module))
        same = next((each for each in self._tokens if each.token.identity == found.token.identity), None)
        if same is None:
            self._tokens.append(found)
        token = same or found
        token.pin_file = uri.pin_file or token.pin_file
        return token, uri
