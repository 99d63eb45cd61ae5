"""The receiver's policy as frozen data.  Each field declares its key: kind, meaning and default.

A policy only narrows: what the layout refuses stays refused, whatever a policy says.
"""

from __future__ import annotations

from gemel.layout.kinds import VENDOR, Always, Flag, Integer, Text, key
from gemel.layout.tables import ListOf
from gemel.structs import Struct

HIGHEST = 0xFFFF_FFFF
DIGEST = Text(64, "[0-9a-f]{64}", "a SHA-256: 64 digits 0-9, a-f", "SHA-256")


class Policy(Struct, kw_only=True):
    """A whole policy file."""

    format: int = key(Always(1), "version of the policy's language")
    trust: tuple[str, ...] = key(
        ListOf(Text(), 64), "public key files, relative to this file; with --trust only those given there", ()
    )
    algorithms: tuple[str, ...] = key(
        ListOf(Text(64), 16, 1),
        "signature algorithms that are accepted; absent: all that the layout allows",
        (),
    )
    signers: int = key(Integer(1, 8), "how many trusted keys must have signed at least", 1)
    pair: bool = key(Flag(), "whether one classical and one ML-DSA signature must both hold", False)
    unknown_signers: int = key(
        Integer(0, 8), "how many signers with unknown keys a seal may have; the layout must allow them too", 0
    )
    rollback_at_least: int | None = key(Integer(0, HIGHEST), "lowest rollback counter that is accepted", None)
    product: str | None = key(Text(31), "the product that the image must be for", None)
    vendor: str | None = key(
        VENDOR, "its vendor: a domain name (its UUIDv5 is used) or a UUID, as in a layout", None
    )
    product_class: str | None = key(
        Text(253), "its class: a text (UUIDv5 of it under the vendor) or a UUID", None, name="class"
    )
    layout_sha256: tuple[str, ...] = key(
        ListOf(DIGEST, 256, 1), "layouts that are accepted, by the digest in the record; absent: any", ()
    )
    unwaivable: tuple[str, ...] | None = key(
        ListOf(Text(80), 256),
        "rules that no layout may waive or make less severe, besides those that guard the image; "
        "absent: every rule that is an error",
        None,
    )
    waiver_days: int | None = key(
        Integer(0, 36_500), "most days, from the check's date on, for which a waiver may still run", None
    )
    only_built_in_rules: bool = key(
        Flag(), "whether rules that installed packages bring are left out: they are code of others", False
    )
