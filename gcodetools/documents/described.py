"""What a struct's fields may hold, in the words of `msgspec.inspect`, worked out a struct at a time.

`msgspec.inspect.type_info` follows every struct that a struct may lead to; a kit leads to some sixty, and a file names
few of them. Here a description of a struct has no fields: `fields_of` gives them to whoever meets the struct in a file.
A test holds both against each other for all structs of ours.
"""

from __future__ import annotations

import functools
import types
from collections.abc import Callable
from typing import Annotated, Any, Literal, Union, get_args, get_origin

import msgspec
from msgspec import inspect

__all__ = ["describe", "fields_of"]

_BOUNDS = ("gt", "ge", "lt", "le", "multiple_of")
_LENGTHS = ("min_length", "max_length")
_SCALARS: dict[Any, tuple[Callable[..., inspect.Type], tuple[str, ...]]] = {
    type(None): (inspect.NoneType, ()),
    bool: (inspect.BoolType, ()),
    int: (inspect.IntType, _BOUNDS),
    float: (inspect.FloatType, _BOUNDS),
    str: (inspect.StrType, _LENGTHS),
}


def describe(kind: Any, limits: tuple[msgspec.Meta, ...] = ()) -> inspect.Type:
    """The description of a type; structs in it without their fields. limits : what is said of it besides.

    Raises
    ------
    TypeError : a type that no file of ours may hold.
    """
    origin, given = get_origin(kind), get_args(kind)
    if origin is Annotated:
        limits = kind.__metadata__
        extra = {key: value for limit in limits for key, value in (limit.extra or {}).items()}
        info = describe(given[0], limits)
        return inspect.Metadata(info, extra=extra) if extra else info
    if kind is None:
        return inspect.NoneType()
    if isinstance(kind, type) and kind in _SCALARS:
        made, names = _SCALARS[kind]
        return made(**_limited(limits, names))
    if isinstance(kind, type) and issubclass(kind, msgspec.Struct):
        config = kind.__struct_config__
        return inspect.StructType(
            kind, (), config.tag_field, config.tag, config.array_like, config.forbid_unknown_fields
        )
    if origin is Union or origin is types.UnionType:
        return inspect.UnionType(tuple(describe(one) for one in given))
    if origin is Literal:
        return inspect.LiteralType(tuple(sorted(given, key=lambda one: (type(one).__name__, one))))
    if origin is dict:
        return inspect.DictType(describe(given[0]), describe(given[1]), **_limited(limits, _LENGTHS))
    if origin is tuple and given[-1] is ...:
        return inspect.VarTupleType(describe(given[0]), **_limited(limits, _LENGTHS))
    if origin is tuple:
        return inspect.TupleType(tuple(describe(one) for one in given))
    raise TypeError(f"no rule for {kind}")


def _limited(limits: tuple[msgspec.Meta, ...], names: tuple[str, ...]) -> dict[str, Any]:
    told = ((name, getattr(limit, name)) for limit in limits for name in names)
    return {name: value for name, value in told if value is not None}


def fields_of(info: inspect.StructType) -> tuple[inspect.Field, ...]:
    """The fields of a described struct, in the order of its class."""
    return _fields(info.cls)


@functools.cache
def _fields(cls: type[msgspec.Struct]) -> tuple[inspect.Field, ...]:
    return tuple(
        inspect.Field(
            field.name,
            field.encode_name,
            describe(field.type),
            field.required,
            field.default,
            field.default_factory,
        )
        for field in msgspec.structs.fields(cls)
    )
