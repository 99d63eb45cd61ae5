"""Types as a build's debug information describes them.

Every type that another refers to is named by a ``Reference``, which ``DebugTypes.type_at`` turns into one
of these; so a structure that points at itself is plain data.  Sizes are bytes, None where not known.
"""

from __future__ import annotations

from typing import TypeAlias

from gemel.structs import Struct

Reference: TypeAlias = int
"""The offset of a type's entry in the debug information of its file."""


class Basic(Struct):
    """A number, character or truth value; ``encoding`` in words: unsigned, signed, float, boolean, ..."""

    name: str
    size: int | None
    encoding: str
    big_endian: bool = False


class Pointer(Struct):
    """An address; ``sign`` is ``*``, ``&``, ``&&`` or ``::*``, ``target`` None for a pointer to anything.

    ``name`` is what its language calls it, as Rust does (``&T``, ``*const T``); empty elsewhere.
    """

    sign: str
    size: int | None
    target: Reference | None
    name: str = ""


class Array(Struct):
    """Elements one after the other; ``counts`` has one number for each dimension, None for an open one.

    ``stride`` is the distance of elements in bytes where it is not their size.
    """

    element: Reference
    counts: tuple[int | None, ...]
    stride: int | None = None


class Enumeration(Struct):
    """Named numbers.  ``name`` may be empty."""

    name: str
    size: int | None
    signed: bool | None
    enumerators: tuple[tuple[str, int], ...]
    declaration: bool = False


class Member(Struct):
    """One member of a record.

    ``bit`` is the place of its first bit from the start of the record, for a little-endian core (None if
    the debug information computes it), ``bits`` the size of a bit field, None for other members.
    ``case`` says for which value of the discriminant a member of a variant is there, None for always.
    """

    name: str
    type: Reference
    bit: int | None
    bits: int | None = None
    case: str | None = None


class Composite(Struct):
    """A structure, class or union (``kind``), named or not; a ``declaration`` has no members."""

    kind: str
    name: str
    size: int | None
    members: tuple[Member, ...]
    declaration: bool = False


class Alias(Struct):
    """Another name for a type (``name``, of a typedef), or a type with qualifiers (``name`` empty).

    ``qualifier`` says which one: ``volatile``, ``atomic``, or empty for any other.
    """

    name: str
    target: Reference | None
    qualifier: str = ""


class Opaque(Struct):
    """What has no layout: a function, ``void``, a type that the language does not describe."""

    words: str
    size: int | None = None


Type: TypeAlias = Basic | Pointer | Array | Enumeration | Composite | Alias | Opaque
