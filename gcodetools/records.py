"""Dataclasses whose methods are made the first time they are asked for.

The library writes and compiles six methods a class as it is imported, 0.7 ms of CPU; a run imports some 150 of our
records and makes instances of a third. What a record is and does is what the library's dataclass is and does.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from reprlib import recursive_repr
from typing import TYPE_CHECKING, Any

__all__ = ["dataclass"]

if TYPE_CHECKING:
    from dataclasses import dataclass
else:

    def dataclass(
        cls: type | None = None, /, *, frozen: bool = False, slots: bool = False, kw_only: bool = False
    ) -> Any:
        """A dataclass with the methods and the arguments of the library's, compared and printed; these three of its
        options, and no `InitVar`."""
        if cls is None:
            return lambda named: _made(named, frozen, slots, kw_only)
        return _made(cls, frozen, slots, kw_only)


def _made(cls: type, frozen: bool, slots: bool, kw_only: bool) -> Any:
    if cls.__doc__ is None:
        cls.__doc__ = cls.__name__  # else the library works the signature out
    hashed = cls.__dict__.get("__hash__")
    own_hash = "__hash__" in cls.__dict__ and not (hashed is None and "__eq__" in cls.__dict__)
    made: Any = dataclasses.dataclass(init=False, repr=False, eq=False, slots=slots, kw_only=kw_only)(cls)
    every = dataclasses.fields(made)
    methods: dict[str, Any] = {
        "__init__": _lazy_init(made, frozen, slots),
        "__repr__": _repr_of(tuple(f.name for f in every if f.repr)),
        "__eq__": _eq_of(tuple(f.name for f in every if f.compare)),
    }
    if frozen:
        names = tuple(f.name for f in every)
        methods |= _frozen(made, names)
        if slots:
            methods |= {"__getstate__": _getstate_of(names), "__setstate__": _setstate_of(names)}
    for name, method in methods.items():
        if name not in made.__dict__:
            method.__qualname__ = f"{made.__qualname__}.{name}"
            setattr(made, name, method)
    if not own_hash:
        hashing = tuple(f.name for f in every if (f.compare if f.hash is None else f.hash))
        made.__hash__ = _hash_of(hashing) if frozen else None
    return made


def _lazy_init(made: Any, frozen: bool, slots: bool) -> Callable[..., None]:
    def __init__(self: Any, /, *given: Any, **named: Any) -> None:
        init = _init_of(made, frozen, slots)
        made.__init__ = init
        init(self, *given, **named)

    return __init__


def _init_of(made: Any, frozen: bool, slots: bool) -> Callable[..., None]:
    """The method that the library writes: a parameter a field, by keyword alone behind the others."""
    given: list[str] = []
    named: list[str] = []
    body: list[str] = []
    known: dict[str, Any] = {"__set": object.__setattr__, "__none": dataclasses.MISSING}
    for field in dataclasses.fields(made):
        name, value = field.name, field.name
        parameter = name
        if field.default_factory is not dataclasses.MISSING:
            known[f"__make_{name}"] = field.default_factory
            value, parameter = f"__make_{name}() if {name} is __none else {name}", f"{name}=__none"
            value = value if field.init else f"__make_{name}()"
        elif field.default is not dataclasses.MISSING:
            known[f"__default_{name}"] = field.default
            parameter = f"{name}=__default_{name}"
            value = value if field.init else f"__default_{name}"
        if field.init:
            (named if field.kw_only else given).append(parameter)
        elif field.default_factory is dataclasses.MISSING and (
            not slots or field.default is dataclasses.MISSING
        ):
            continue  # stands in the class, or is set later
        body.append(f"__set(self, {name!r}, {value})" if frozen else f"self.{name} = {value}")
    if hasattr(made, "__post_init__"):
        body.append("self.__post_init__()")
    parameters = ", ".join(["self", *given, *(["*", *named] if named else [])])
    lines = "\n    ".join(body or ["pass"])
    exec(f"def __init__({parameters}):\n    {lines}\n", known)
    init: Callable[..., None] = known["__init__"]
    init.__qualname__ = f"{made.__qualname__}.__init__"
    return init


def _repr_of(names: tuple[str, ...]) -> Callable[[Any], str]:
    def __repr__(self: Any) -> str:
        return f"{self.__class__.__qualname__}({', '.join(f'{k}={getattr(self, k)!r}' for k in names)})"

    return recursive_repr()(__repr__)


def _values(self: Any, names: tuple[str, ...]) -> tuple[Any, ...]:
    return tuple([getattr(self, name) for name in names])


def _eq_of(names: tuple[str, ...]) -> Callable[[Any, object], bool]:
    def __eq__(self: Any, other: object) -> bool:
        if other.__class__ is not self.__class__:
            return NotImplemented
        return _values(self, names) == _values(other, names)

    return __eq__


def _hash_of(names: tuple[str, ...]) -> Callable[[Any], int]:
    def __hash__(self: Any) -> int:
        return hash(_values(self, names))

    return __hash__


def _getstate_of(names: tuple[str, ...]) -> Callable[[Any], list[Any]]:
    def __getstate__(self: Any) -> list[Any]:
        return list(_values(self, names))

    return __getstate__


def _setstate_of(names: tuple[str, ...]) -> Callable[[Any, list[Any]], None]:
    def __setstate__(self: Any, state: list[Any]) -> None:
        for name, value in zip(names, state, strict=True):
            object.__setattr__(self, name, value)

    return __setstate__


def _frozen(made: Any, names: tuple[str, ...]) -> dict[str, Any]:
    def __setattr__(self: Any, name: str, value: Any) -> None:
        if type(self) is made or name in names:
            raise dataclasses.FrozenInstanceError(f"cannot assign to field {name!r}")
        super(made, self).__setattr__(name, value)

    def __delattr__(self: Any, name: str) -> None:
        if type(self) is made or name in names:
            raise dataclasses.FrozenInstanceError(f"cannot delete field {name!r}")
        super(made, self).__delattr__(name)

    return {"__setattr__": __setattr__, "__delattr__": __delattr__}
