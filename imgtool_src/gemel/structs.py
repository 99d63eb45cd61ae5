"""Classes of named fields, made without generated code, in a tenth of a dataclass's time.

``class Name(Struct):`` with annotated fields is a frozen class with slots.  Its keywords: ``frozen=False`` for
one that may change, ``kw_only=True`` where every field is given by name, ``dict=True`` where properties are
cached, ``repr=False`` where the values are secrets.  Fields after ``_: KW_ONLY`` are given by name.  Equality,
hash, ``repr``, pickling and ``match`` follow the fields.  ``class Name(NamedTuple):`` is the same for what is
also a tuple.

The standard library writes and compiles source text for each such class, about 0.7 ms; with 200 classes that was a
third of a whole join.  Here all classes of as many fields have the code of one function, with names and defaults of
their own (``_with_names``).  Annotations must be text, as ``from __future__ import annotations`` makes them.
"""

from __future__ import annotations

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping
    from dataclasses import KW_ONLY as KW_ONLY
    from typing import Any, ClassVar, TypeVar, dataclass_transform
    from typing import NamedTuple as NamedTuple

    Made = TypeVar("Made")
    from operator import attrgetter
else:
    try:
        from _operator import attrgetter
    except ImportError:  # only CPython has it in C without an import of more
        from operator import attrgetter
    KW_ONLY = object()

    def dataclass_transform(**_words: object) -> Callable[[Made], Made]:
        """Do nothing: type checkers alone read it."""
        return lambda made: made


MISSING: Any = object()
"""The default of a field that has none."""


class Field:
    """What stands as a field's value in its class: the default, or what makes one for each instance."""

    __slots__ = ("compared", "default", "factory", "shown")

    def __init__(
        self,
        default: Any = MISSING,
        factory: Callable[[], Any] | None = None,
        shown: bool = True,
        compared: bool = True,
    ) -> None:
        self.default, self.factory, self.shown, self.compared = default, factory, shown, compared

    def value(self) -> Any:
        """The default for one instance; ``MISSING`` if there is none."""
        return self.factory() if self.factory else self.default


_REQUIRED = Field()
"""Stands for every field that has no default."""


def field(
    *,
    default: Any = MISSING,
    default_factory: Callable[[], Any] | None = None,
    repr: bool = True,
    compare: bool = True,
) -> Any:
    """Declare a field whose default is made for each instance, or that ``repr`` or equality and hash leave out."""
    return Field(default, default_factory, repr, compare)


_new = tuple.__new__
_MAKERS: dict[int, Any] = {
    2: lambda cls, a, b: _new(cls, (a, b)),
    3: lambda cls, a, b, c: _new(cls, (a, b, c)),
    4: lambda cls, a, b, c, d: _new(cls, (a, b, c, d)),
    5: lambda cls, a, b, c, d, e: _new(cls, (a, b, c, d, e)),
    6: lambda cls, a, b, c, d, e, f: _new(cls, (a, b, c, d, e, f)),
    7: lambda cls, a, b, c, d, e, f, g: _new(cls, (a, b, c, d, e, f, g)),
}
"""What makes a named tuple of as many fields."""

_SETTING: dict[int, Any] = {
    2: lambda q, r: lambda s, a, b: q(s, a) or r(s, b),
    3: lambda q, r, t: lambda s, a, b, c: q(s, a) or r(s, b) or t(s, c),
    4: lambda q, r, t, u: lambda s, a, b, c, d: q(s, a) or r(s, b) or t(s, c) or u(s, d),
    5: lambda q, r, t, u, v: lambda s, a, b, c, d, e: q(s, a) or r(s, b) or t(s, c) or u(s, d) or v(s, e),
    6: lambda q, r, t, u, v, w: (
        lambda s, a, b, c, d, e, f: q(s, a) or r(s, b) or t(s, c) or u(s, d) or v(s, e) or w(s, f)
    ),
    7: lambda q, r, t, u, v, w, x: (
        lambda s, a, b, c, d, e, f, g: (
            q(s, a) or r(s, b) or t(s, c) or u(s, d) or v(s, e) or w(s, f) or x(s, g)
        )
    ),
    8: lambda q, r, t, u, v, w, x, y: (
        lambda s, a, b, c, d, e, f, g, h: (
            q(s, a) or r(s, b) or t(s, c) or u(s, d) or v(s, e) or w(s, f) or x(s, g) or y(s, h)
        )
    ),
}
"""What sets as many fields of a struct, from what sets each, which gives None."""


def _with_names(template: Any, name: str, fields: tuple[str, ...], given: tuple[Any, ...]) -> Any:
    """A function as ``template`` whose parameters, after the first, have these names, the last ones these defaults."""
    code = template.__code__.replace(co_varnames=("self", *fields), co_name=name, co_qualname=name)
    return type(template)(code, template.__globals__, name, given, template.__closure__)


def _plain_defaults(defaults: dict[str, Field]) -> tuple[Any, ...] | None:
    """The defaults as a function has them; None where one is made for each instance, or a field without follows."""
    given: list[Any] = []
    for each in defaults.values():
        if each.default is not MISSING:
            given.append(each.default)
        elif given or each.factory:
            return None
    return tuple(given)


def _completed(cls: Any, values: tuple[Any, ...], named: dict[str, Any]) -> list[Any]:
    """The values of all fields in order, from those given by place and by name and the defaults."""
    if len(values) > cls._positional:
        raise TypeError(f"{cls.__name__}() takes {cls._positional} values by place, not {len(values)}")
    result = list(values)
    for name in cls._fields[len(values) :]:
        value = named.pop(name) if name in named else cls._defaults[name].value()
        if value is MISSING:
            raise TypeError(f"{cls.__name__}() lacks a value for {name}")
        result.append(value)
    if named:
        raise TypeError(f"{cls.__name__}() has no field, or two values, for {', '.join(named)}")
    return result


def _getter(names: tuple[str, ...]) -> Any:
    """What gives the attributes of these names as a tuple."""
    if len(names) > 1:
        return attrgetter(*names)
    return staticmethod(lambda struct: tuple([getattr(struct, name) for name in names]))


def _gathered(bases: tuple[type, ...], body: dict[str, Any]) -> tuple[dict[str, Field], list[str], int]:
    """All fields and their defaults, the names that the class body adds, and how many are given by place.

    Takes the defaults out of the body: what stands for a field in the class is its slot.
    """
    defaults: dict[str, Field] = {}
    for base in bases:
        defaults |= getattr(base, "_defaults", {})
    added: list[str] = []
    positional = -1
    for name, annotation in body.get("__annotations__", {}).items():
        if annotation == "KW_ONLY":
            positional = len(defaults)
        elif not annotation.startswith("ClassVar"):
            found = body.pop(name, _REQUIRED)
            defaults[name] = found if isinstance(found, Field) else Field(found)
            added.append(name)
    return defaults, added, len(defaults) if positional < 0 else positional


class _StructType(type):
    """The type of structs: gathers the fields of a class and gives each a slot."""

    def __new__(
        cls,
        name: str,
        bases: tuple[type, ...],
        body: dict[str, Any],
        *,
        frozen: bool = True,
        kw_only: bool = False,
        dict: bool = False,
        repr: bool = True,
    ) -> Any:
        defaults, added, positional = _gathered(bases, body)
        if kw_only:
            positional = 0
        fields = tuple(defaults)
        body["__slots__"] = (*added, "__dict__") if dict else tuple(added)
        body |= {"_fields": fields, "_defaults": defaults, "_positional": positional}
        body["__match_args__"] = fields[:positional]
        if not repr:
            body["__repr__"] = object.__repr__
        if not frozen:
            body |= {"__setattr__": object.__setattr__, "__delattr__": object.__delattr__, "__hash__": None}
        made: Any = super().__new__(cls, name, bases, body)
        made._whole = positional if positional == len(fields) else -1
        made._setters = tuple([getattr(made, each).__set__ for each in fields])
        made._values = _getter(fields)
        made._compared = _getter(tuple([each for each in fields if defaults[each].compared]))
        if positional == len(fields) in _SETTING and "__init__" not in body:
            given = _plain_defaults(defaults)
            if given is not None:
                made.__init__ = _with_names(_SETTING[positional](*made._setters), "__init__", fields, given)
        return made


@dataclass_transform(frozen_default=True, field_specifiers=(field,))
class Struct(metaclass=_StructType):
    """The base of all structs; see the head of this module."""

    if TYPE_CHECKING:
        _compared: ClassVar[Callable[[Any], tuple[Any, ...]]]
        _values: ClassVar[Callable[[Any], tuple[Any, ...]]]

    def __init__(self, *values: Any, **named: Any) -> None:
        cls: Any = type(self)
        setters = cls._setters
        if named or len(values) != cls._whole:
            values = tuple(_completed(cls, values, named))
        for setter, value in zip(setters, values):  # noqa: B905 - as many of both; strict takes a third of the time
            setter(self, value)

    def __eq__(self, other: object) -> bool:
        if type(other) is not type(self):
            return NotImplemented
        compared = type(self)._compared
        return self is other or bool(compared(self) == compared(other))

    def __hash__(self) -> int:
        return hash(type(self)._compared(self))

    def __repr__(self) -> str:
        shown = [f"{name}={getattr(self, name)!r}" for name, each in fields(self).items() if each.shown]
        return f"{type(self).__qualname__}({', '.join(shown)})"

    def __setattr__(self, name: str, value: object) -> None:
        raise AttributeError(f"{type(self).__name__} is frozen: its {name} cannot be set")

    def __delattr__(self, name: str) -> None:
        raise AttributeError(f"{type(self).__name__} is frozen: its {name} cannot be deleted")

    def __reduce__(self) -> tuple[Any, ...]:
        return _restored, (type(self), type(self)._values(self))


def _restored(cls: Any, values: tuple[Any, ...]) -> Any:
    """A struct as it was pickled or copied."""
    result = cls.__new__(cls)
    for setter, value in zip(cls._setters, values, strict=True):
        setter(result, value)
    return result


def fields(struct: Struct | type[Struct]) -> Mapping[str, Field]:
    """The fields of a struct or of its class, by name and in order."""
    declared: Mapping[str, Field] = struct._defaults  # type: ignore[union-attr]
    return declared


def replace(struct: Made, /, **changes: Any) -> Made:
    """A struct like this one but for the fields named."""
    cls: Any = type(struct)
    result: Made = cls(**{**dict(zip(cls._fields, cls._values(struct), strict=True)), **changes})
    return result


if not TYPE_CHECKING:
    try:
        from _collections import _tuplegetter
    except ImportError:  # as in the standard library's ``collections``: only CPython has it
        from operator import itemgetter

        def _tuplegetter(index: int, doc: str | None) -> property:
            return property(itemgetter(index), doc=doc)

    class _TupleType(type):
        def __new__(cls, name: str, bases: tuple[type, ...], body: dict[str, Any]) -> Any:
            defaults, added, positional = _gathered(bases, body)
            fields = tuple(defaults)
            for index, each in enumerate(added, len(fields) - len(added)):
                body[each] = _tuplegetter(index, None)
            body |= {"__slots__": (), "_fields": fields, "_defaults": defaults, "_positional": positional}
            body["__match_args__"] = fields
            given = _plain_defaults(defaults)
            if len(fields) in _MAKERS and "__new__" not in body and given is not None:
                body["__new__"] = _with_names(_MAKERS[len(fields)], "__new__", fields, given)
            return super().__new__(cls, name, bases, body)

    class NamedTuple(tuple, metaclass=_TupleType):
        """As ``typing.NamedTuple``, which type checkers see in its place."""

        def __new__(cls, *values: Any, **named: Any) -> Any:
            """Make one from the values of its fields, by place or by name."""
            if named or len(values) != cls._positional:
                values = _completed(cls, values, named)
            return tuple.__new__(cls, values)

        @classmethod
        def _make(cls, values: Iterable[Any]) -> Any:
            return cls(*values)

        def _replace(self, **changes: Any) -> Any:
            values = tuple.__new__(type(self), map(changes.pop, self._fields, self))
            if changes:
                raise TypeError(f"{type(self).__name__} has no field {', '.join(changes)}")
            return values

        def __repr__(self) -> str:
            shown = [f"{name}={value!r}" for name, value in zip(self._fields, self, strict=True)]
            return f"{type(self).__name__}({', '.join(shown)})"

        def __getnewargs__(self) -> tuple[Any, ...]:
            return tuple(self)
