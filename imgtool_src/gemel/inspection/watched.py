"""An inspection that keeps what was worked out from one image for the next, where that reads the same.

Each rule, and each property of the inspection, is kept with what it requested: bytes and runs of the image, and other
properties.  For the next image these are requested again, in their order; where none has changed, neither has what was
worked out from them.  A property that is worked out again and comes out equal has not changed either: another version
in a record moves no vector table.  A rule that requests nothing of the image says the same of all.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator
from functools import cached_property
from typing import TYPE_CHECKING, Any, ClassVar

from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.spans import Span
from gemel.structs import fields

if TYPE_CHECKING:
    Key = str | tuple[object, ...]

OF_THE_IMAGE = ("remarks", "file", "entry", "leaves_bytes_out", "image_file")
"""The fields of an inspection besides ``image`` that differ between images that are checked alike."""

EVERY = sys.maxsize
"""Above the number of any image."""


class KeptValue:
    """A value and where it is from: ``function`` of an inspection, and what that requested (None: the image).

    It holds up to image number ``seen`` (``EVERY``: of each) and was another before image number ``changed``.
    """

    __slots__ = ("changed", "function", "requested", "seen", "value")

    def __init__(self, function: Callable[[Any], Any], requested: Iterable[KeptValue] | None) -> None:
        self.function, self.requested = function, requested
        self.value: Any = None
        self.seen = self.changed = 0


class Watched(Inspection):
    """An inspection of one image after another that are checked alike; ``over`` gives it the next one."""

    if TYPE_CHECKING:
        _kept: ClassVar[dict[Key, KeptValue]]
        _open: ClassVar[list[list[KeptValue]]]
        _number: ClassVar[int]
        _over: ClassVar[Inspection]
        _bytes: ClassVar[SparseBytes]

    @classmethod
    def of(cls, inspection: Inspection) -> Watched:
        """``inspection`` with its layout, keys and options."""
        made = cls(*(getattr(inspection, name) for name in fields(inspection)))
        vars(made).update(_kept={}, _open=[], _number=1, _over=inspection, _bytes=WatchedBytes(made))
        return made

    def over(self, inspection: Inspection) -> Watched:
        """This one, from now on with the image of ``inspection``."""
        vars(self).update(_over=inspection, _number=self._number + 1, _open=[])
        return self

    def settle(self) -> None:
        """Give the image's inspection what was worked out, and let go of what it did not need."""
        number = self._number
        kept = {key: each for key, each in self._kept.items() if each.seen >= number}
        vars(self)["_kept"] = kept
        vars(self._over).update([(key, each.value) for key, each in kept.items() if type(key) is str])

    def kept(
        self, name: Key, function: Callable[[Any], Any], requested: Iterable[KeptValue] | None = ()
    ) -> Any:
        """What ``function`` works out from an inspection, and nothing else; ``name`` is its own.

        It is called for later images, too.  Where ``requested`` is None it is given the inspection of the image.
        """
        kept = self._kept.get(name)
        if kept is None:
            kept = self._kept[name] = KeptValue(function, requested)
        if self._open:
            self._open[-1].append(kept)
        if kept.seen < self._number:
            self._renew(kept)
        return kept.value

    def _renew(self, kept: KeptValue) -> None:
        """Have ``kept`` hold for this image; one that cannot be worked out holds for none."""
        seen, kept.seen = kept.seen, 0
        if kept.requested is None:
            value = kept.function(self._over)
        elif seen and not self._changed(kept.requested, seen):
            kept.seen = self._number
            return
        else:
            self._open.append([])
            try:
                value = kept.function(self)
            finally:
                requested = self._open.pop()
            kept.requested = dict.fromkeys(requested)
        if not seen or value != kept.value:
            kept.value, kept.changed = value, self._number
        kept.seen = EVERY if kept.requested == {} else self._number

    def _changed(self, requested: Iterable[KeptValue], seen: int) -> bool:
        """Whether any of these is another than for image number ``seen``; what comes first decides on what is next."""
        for each in requested:
            if each.seen < self._number:
                try:
                    self._renew(each)
                except Exception:  # what requests it again decides on what that means
                    return True
            if each.changed > seen:
                return True
        return False


class WatchedBytes(SparseBytes):
    """The bytes of a watched inspection's image, for reading alone."""

    __slots__ = ("_read",)

    def __init__(self, watched: Watched) -> None:
        self._read = watched.kept

    @property
    def size(self) -> int:
        """As of ``SparseBytes``."""
        found: int = self._read(("size",), lambda over: over.image.size, None)
        return found

    def bounds(self) -> Span | None:
        """As of ``SparseBytes``."""
        found: Span | None = self._read(("bounds",), lambda over: over.image.bounds(), None)
        return found

    def spans(self) -> list[Span]:
        """As of ``SparseBytes``."""
        return list(self._read(("spans",), lambda over: over.image.spans(), None))

    def held_in(self, span: Span) -> list[Span]:
        """As of ``SparseBytes``."""
        return list(self._read(("held", span), lambda over: over.image.held_in(span), None))

    def pieces(self, span: Span | None = None) -> Iterator[tuple[int, memoryview]]:
        """As of ``SparseBytes``."""
        found = self._read(
            ("pieces", span),
            lambda over: [(start, bytes(piece)) for start, piece in over.image.pieces(span)],
            None,
        )
        return ((start, memoryview(piece)) for start, piece in found)

    def read(self, span: Span, fill: int | None) -> bytes:
        """As of ``SparseBytes``."""
        found: bytes = self._read(("read", span, fill), lambda over: over.image.read(span, fill), None)
        return found

    def copy(self) -> SparseBytes:
        """As of ``SparseBytes``."""
        twin = SparseBytes()
        for start, piece in self.pieces():
            twin.write(start, piece)
        return twin


def _property_of_image(name: str) -> property:
    return property(lambda self: self.kept((name,), lambda over: getattr(over, name), None))


def _kept_property(name: str, function: Callable[[Any], Any]) -> property:
    return property(lambda self: self.kept(name, function))


for _name in OF_THE_IMAGE:
    setattr(Watched, _name, _property_of_image(_name))
for _name, _each in list(vars(Inspection).items()):
    if isinstance(_each, cached_property):
        setattr(Watched, _name, _kept_property(_name, _each.func))
Watched.image = property(lambda self: self._bytes)  # type: ignore[assignment]
