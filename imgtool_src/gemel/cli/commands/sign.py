"""``gemel sign``."""

from __future__ import annotations

from gemel.cli.declared import argument, option, sub_command
from gemel.cli.parameters import (
    FILE,
    INPUTS,
    OF_AN_IMAGE,
    as_option,
    at_option,
    date_option,
    images_option,
    key_option,
    memories_option,
    paths_outside_option,
    policy_option,
    quiet_option,
    rollback_option,
    trust_option,
    version_option,
)
from gemel.cli.signing.pass_phrases import PassPhrases, open_keys_option, pass_phrase_options
from gemel.files.paths import FilePath


def _with_openssl(text: str) -> str:
    """The help with the openssl commands, a line for each algorithm."""
    from inspect import cleandoc

    from gemel.seals.openssl import openssl_lines

    return cleandoc(text).replace("{openssl}", "\n".join(openssl_lines(72)))


@sub_command("sign", works_long=True, finished=_with_openssl)
@argument("words", metavar=OF_AN_IMAGE, several=True, kind=INPUTS)
@images_option()
@memories_option
@key_option()
@pass_phrase_options
@open_keys_option
@option(
    "--to-be-signed",
    multiple=True,
    kind=FILE,
    help="Write the bytes that the --public key's owner must sign elsewhere, and no image.",
)
@option(
    "--signature",
    "signatures",
    multiple=True,
    kind=FILE,
    help="Insert a signature that was made elsewhere with the --public key; of ECDSA also in DER.",
)
@option(
    "--public",
    "publics",
    metavar="PUBKEY",
    multiple=True,
    kind=FILE,
    help="Public key file of a --to-be-signed or --signature, in the same order.",
)
@version_option("Version that the image must hold; else the layout's.")
@rollback_option("Rollback counter that the image must hold; else the layout's.")
@option("--add", is_flag=True, help="Keep the signers that the image has; all of them must hold.")
@option(
    "--more-to-come",
    is_flag=True,
    help="Write the image although further signers are missing, who sign it later with --add.",
)
@trust_option("; of those that the layout trusts only these. With --add, keep only signers by these keys.")
@policy_option
@paths_outside_option
@date_option
@at_option
@as_option
@quiet_option
def command(
    words: tuple[str, ...],
    outputs: tuple[FilePath, ...],
    memories: tuple[str, ...],
    key_texts: tuple[str, ...],
    phrase_files: tuple[FilePath, ...],
    phrase_names: tuple[str, ...],
    open_keys: bool,
    to_be_signed: tuple[FilePath, ...],
    signatures: tuple[FilePath, ...],
    publics: tuple[FilePath, ...],
    version_text: str | None,
    rollback: int | None,
    add: bool,
    more_to_come: bool,
    trust: tuple[FilePath, ...],
    policy: FilePath | None,
    paths_outside: bool,
    date_text: str | None,
    at: int | None,
    as_form: str | None,
    quiet: bool,
) -> int:
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
    from gemel.cli.positions import given, layout_of
    from gemel.cli.signing.key_options import GivenKeys
    from gemel.cli.signing.sign_request import hand_over, seal_image
    from gemel.workflows.signing import SignRequest, refuse_mixture

    found = given(words, OF_AN_IMAGE)
    request = SignRequest(
        layout_of(found, OF_AN_IMAGE),
        found.images[0],
        found.builds,
        outputs,
        to_be_signed,
        signatures,
        publics,
        add,
        trust,
        at,
        more_to_come,
        version_text,
        rollback,
        memories,
        as_form,
        policy,
        date_text,
        paths_outside,
    )
    refuse_mixture(request, bool(key_texts))
    if to_be_signed:
        return hand_over(request, quiet)
    phrases = PassPhrases(phrase_files, phrase_names)
    with GivenKeys(key_texts, phrases, open_keys=open_keys) as keys:
        return seal_image(request, keys, quiet)
