"""``gemel keys``."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from gemel.cli import options
from gemel.cli.declared import FILE, Choice, argument, group, option
from gemel.cli.echo import echo
from gemel.cli.printing import help_with_rows, print_done, written_words
from gemel.cli.signing.pass_phrases import PassPhrases
from gemel.errors import UsageProblem
from gemel.files.paths import FilePath
from gemel.structs import Struct
from gemel.text.escaping import on_one_line

if TYPE_CHECKING:
    from gemel.seals.keys.keys import PublicKey

DER_SUFFIX = ".der"


def _with_algorithms(text: str) -> str:
    from gemel.seals.keys.algorithms import ALGORITHMS

    rows = [
        (each.name, f"{each.public_key_size:,} bytes of public key, {each.signature_size:,} of signature")
        for each in ALGORITHMS
    ]
    return help_with_rows(text, "{algorithms}", rows)


@group("keys", finished=_with_algorithms)
def command() -> None:
    """Make and show the keys that images are sealed with.

    Private keys are PKCS#8, public keys SubjectPublicKeyInfo, in PEM, or in DER where the file's name ends
    in .der. No key file is ever overwritten, and none of these commands prints a private key. A new private
    key is for its owner alone (mode 0600); on Windows the access list of its folder decides.

    A key that stays on its token is named by its URI (RFC 7512),
    pkcs11:token=NAME;object=NAME?module-path=LIBRARY; without module-path the variable GEMEL_PKCS11_MODULE
    names the PKCS#11 library. The PIN is prompted for, or comes as a pass phrase does, or from
    pin-source=file:PATH in the URI. This needs the extra hsm.

    The algorithms are:

    \b
    {algorithms}

    \b
    Example:
      gemel keys new Ed25519 -o trial.pem --public trial-pub.pem --no-pass-phrase
    """


class KeyNewArguments(Struct, kw_only=True):
    """The words and options of ``gemel keys new``."""

    algorithm: str = argument()
    output: FilePath = option(
        "-o", "--output", metavar="KEY", required=True, kind=FILE, help="File for the private key."
    )
    public: FilePath | None = option(
        "--public", metavar="PUBKEY", kind=FILE, help="File for the public part."
    )
    phrase_files: tuple[FilePath, ...] = options.phrase_files
    phrase_names: tuple[str, ...] = options.phrase_names
    no_pass_phrase: bool = option(
        "--no-pass-phrase",
        is_flag=True,
        help="Leave the key unprotected: anyone who reads the file has the key.",
    )
    weak_pass_phrase: bool = option(
        "--weak-pass-phrase", is_flag=True, help="Accept a pass phrase that is easily guessed."
    )


@command.command("new", KeyNewArguments)
def new(asked: KeyNewArguments) -> None:
    """Make a private key.

    ALGORITHM is Ed25519, ECDSA-P256, ECDSA-P384, RSA-3072-PSS, RSA-4096-PSS, ML-DSA-65 or ML-DSA-87. The pass
    phrase is prompted for twice, unless an option says where it is. One that is easily guessed is refused: take six
    random words, or 14 random letters and digits.

    \b
    Example:
      gemel keys new Ed25519 -o release.pem --public release-pub.pem
    """
    from gemel.files.new_files import NewFile, refuse_existing, write_new
    from gemel.files.outputs import OWNER_ALONE
    from gemel.seals.keys.algorithms import algorithm_named, unknown_algorithm
    from gemel.seals.keys.keys import new_private_key

    phrases = PassPhrases(asked.phrase_files, asked.phrase_names)
    if algorithm_named(asked.algorithm) is None:
        raise UsageProblem(unknown_algorithm(asked.algorithm))
    if asked.no_pass_phrase and phrases.given:
        raise UsageProblem(
            "a pass phrase and --no-pass-phrase",
            found="both",
            expected="one of them",
            next_step="leave one out",
        )
    refuse_existing([asked.output, *([asked.public] if asked.public else [])])
    phrase = None if asked.no_pass_phrase else phrases.of_new_key(asked.weak_pass_phrase)
    key = new_private_key(asked.algorithm)
    is_der = asked.output.suffix.lower() == DER_SUFFIX
    files = [NewFile(asked.output, key.to_der(phrase) if is_der else key.to_pem(phrase), OWNER_ALONE)]
    if asked.public:
        files.append(NewFile(asked.public, _public_bytes(key.public_key, asked.public)))
    write_new(files)
    kind = "private key, no pass phrase" if phrase is None else "private key, encrypted"
    print_done(
        "\n".join(
            [*_lines(str(asked.output), kind, key.public_key), written_words(file.path for file in files)]
        )
    )


class KeyShowArguments(Struct, kw_only=True):
    """The words and options of ``gemel keys show``."""

    key: str = argument()
    phrase_files: tuple[FilePath, ...] = options.phrase_files
    phrase_names: tuple[str, ...] = options.phrase_names
    form: str = option(
        "--format", kind=Choice(["text", "json"]), default="text", help="Form of the result on stdout."
    )


@command.command("show", KeyShowArguments)
def show(asked: KeyShowArguments) -> None:
    """Show a key's algorithm, size and fingerprint.

    KEY is a file with a private or a public key, or the pkcs11: URI of a key on a token. The fingerprint is
    SHA-256 of the SubjectPublicKeyInfo in DER: what openssl pkey -pubin -outform DER | sha256sum prints.

    \b
    Example:
      gemel keys show release-pub.pem
    """
    from gemel.cli.signing.public_part import public_part

    found = public_part(asked.key, PassPhrases(asked.phrase_files, asked.phrase_names))
    if asked.form == "text":
        echo("\n".join(_lines(found.name, found.kind.value, found.key)))
        return
    from gemel.text.as_json import json_text

    echo(json_text(_data(found.name, found.kind.value, found.key)).encode(), nl=False)


class KeyPublicArguments(Struct, kw_only=True):
    """The words and options of ``gemel keys public``."""

    key: str = argument()
    output: FilePath = option("-o", "--output", required=True, kind=FILE, help="File for the public part.")
    phrase_files: tuple[FilePath, ...] = options.phrase_files
    phrase_names: tuple[str, ...] = options.phrase_names


@command.command("public", KeyPublicArguments)
def public_key(asked: KeyPublicArguments) -> None:
    """Write the public part of a key.

    It is for those who check seals. KEY is a file with a private or a public key, or the pkcs11: URI of a key on a
    token.

    \b
    Example:
      gemel keys public release.pem -o release-pub.pem
    """
    from gemel.cli.signing.public_part import public_part
    from gemel.files.new_files import NewFile, refuse_existing, write_new

    refuse_existing([asked.output])
    found = public_part(asked.key, PassPhrases(asked.phrase_files, asked.phrase_names))
    write_new([NewFile(asked.output, _public_bytes(found.key, asked.output))])
    print_done(written_words([asked.output]))


def _public_bytes(key: PublicKey, path: FilePath) -> bytes:
    return key.to_der() if path.suffix.lower() == DER_SUFFIX else key.to_pem()


def _lines(name: str, kind: str, key: PublicKey) -> list[str]:
    algorithm = key.algorithm
    return [
        on_one_line(name),
        f"  holds        {kind}",
        f"  algorithm    {algorithm.name}",
        f"  size         public key {algorithm.public_key_size:,} bytes, "
        f"signature {algorithm.signature_size:,} bytes",
        f"  fingerprint  {key.fingerprint.hex()}",
    ]


def _data(name: str, kind: str, key: PublicKey) -> dict[str, Any]:
    algorithm = key.algorithm
    return {
        "format": 1,
        "name": name,
        "holds": kind,
        "algorithm": algorithm.name,
        "cose_algorithm": algorithm.cose_id,
        "public_key_size": algorithm.public_key_size,
        "signature_size": algorithm.signature_size,
        "fingerprint": key.fingerprint.hex(),
        "fingerprint_of": "SHA-256 of the SubjectPublicKeyInfo in DER",
        "quantum_safe": algorithm.quantum_safe,
    }
