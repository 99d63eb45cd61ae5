"""``gemel sign``."""

from __future__ import annotations

from gemel.cli import options
from gemel.cli.declared import FILE, option, sub_command
from gemel.cli.options import OF_AN_IMAGE
from gemel.cli.positions import given, layout_of
from gemel.files.paths import FilePath
from gemel.structs import Struct


def _with_openssl(text: str) -> str:
    """The help with the openssl commands, a line for each algorithm."""
    from inspect import cleandoc

    from gemel.seals.to_be_signed import openssl_lines

    return cleandoc(text).replace("{openssl}", "\n".join(openssl_lines(72)))


class SignArguments(Struct, kw_only=True):
    """The words and options of ``gemel sign``."""

    words: tuple[str, ...] = options.image_words
    outputs: tuple[FilePath, ...] = options.images()
    memories: tuple[str, ...] = options.memories
    key_texts: tuple[str, ...] = options.key()
    phrase_files: tuple[FilePath, ...] = options.phrase_files
    phrase_names: tuple[str, ...] = options.phrase_names
    open_keys: bool = options.open_keys
    to_be_signed: tuple[FilePath, ...] = option(
        "--to-be-signed",
        multiple=True,
        kind=FILE,
        help="Write the bytes that the --public key's owner must sign elsewhere, and no image.",
    )
    signatures: tuple[FilePath, ...] = option(
        "--signature",
        multiple=True,
        kind=FILE,
        help="Insert a signature that was made elsewhere with the --public key; of ECDSA also in DER.",
    )
    publics: tuple[FilePath, ...] = option(
        "--public",
        metavar="PUBKEY",
        multiple=True,
        kind=FILE,
        help="Public key file of a --to-be-signed or --signature, in the same order.",
    )
    version_text: str | None = options.version("Version that the image must hold; else the layout's.")
    rollback: int | None = options.rollback("Rollback counter that the image must hold; else the layout's.")
    add: bool = option(
        "--add", is_flag=True, help="Keep the signers that the image has; all of them must hold."
    )
    more_to_come: bool = option(
        "--more-to-come",
        is_flag=True,
        help="Write the image although further signers are missing, who sign it later with --add.",
    )
    trust: tuple[FilePath, ...] = options.trust(
        "; of those that the layout trusts only these. With --add, keep only signers by these keys."
    )
    policy: FilePath | None = options.policy
    paths_outside: bool = options.paths_outside
    date_text: str | None = options.date
    at: int | None = options.at
    as_form: str | None = options.as_form
    quiet: bool = options.quiet


@sub_command("sign", SignArguments, works_long=True, finished=_with_openssl)
def command(asked: SignArguments) -> int:
    """Seal an image that was joined before.

    The image is checked before anything is signed, and again before the sealed image is written. Its old
    seal, if it has one, is replaced; with --add its signers are kept. With --trust or --policy the sealed image
    must pass as it would by `gemel check` with the same option.

    For a signing room: --to-be-signed FILE.tbs --public KEY writes exactly the bytes to be signed, and
    FILE.tbs.txt for people: product, version, builds, digests, waivers, the verdict of the check. There,
    `gemel show FILE.tbs` prints and checks what the bytes say, without layout or image, and openssl signs
    them (as below; ML-DSA from 3.5 on). Run again on the same image, --signature FILE --public KEY takes the
    signature in; with FILE.tbs next to FILE.tbs.sig, one over another image is refused with the difference.

    \b
    {openssl}

    \b
    Example:
      gemel sign tide-gauge.toml tide.hex --key trial.pem -o sealed.hex
    """
    from gemel.cli.signing.key_options import GivenKeys
    from gemel.cli.signing.sign_request import hand_over, seal_image
    from gemel.workflows.signing import SignRequest, refuse_mixture

    found = given(asked.words, OF_AN_IMAGE)
    request = SignRequest(
        layout_of(found),
        found.images[0],
        found.builds,
        asked.outputs,
        asked.to_be_signed,
        asked.signatures,
        asked.publics,
        asked.add,
        asked.trust,
        asked.at,
        asked.more_to_come,
        asked.version_text,
        asked.rollback,
        asked.memories,
        asked.as_form,
        asked.policy,
        asked.date_text,
        asked.paths_outside,
    )
    refuse_mixture(request, bool(asked.key_texts))
    if asked.to_be_signed:
        return hand_over(request, asked.quiet)
    with GivenKeys.of(asked) as keys:
        return seal_image(request, keys, asked.quiet)
