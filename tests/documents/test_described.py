"""Descriptions worked out a struct at a time against `msgspec.inspect.type_info`, which does all at once."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any, Literal

import msgspec
import pytest
from msgspec import Meta, inspect

from gcodetools.documents.described import describe, fields_of
from gcodetools.documents.profiles import Machine, Material
from gcodetools.kit.schema import KitFile
from gcodetools.kit.settings import TreatmentProfile
from gcodetools.marks.conventions import Convention, Head
from gcodetools.planning.order import OrderFile
from gcodetools.slicer_settings.tables import Table


def structs() -> Iterator[type[msgspec.Struct]]:
    """All that files of ours may hold."""
    waiting = [msgspec.Struct]
    while waiting:
        for cls in waiting.pop().__subclasses__():
            waiting.append(cls)
            if cls.__module__.startswith("gcodetools."):
                yield cls


def same(ours: Any, theirs: Any) -> None:
    """Compare two descriptions down to the structs named in them."""
    if isinstance(theirs, inspect.StructType):
        assert type(ours) is inspect.StructType and ours.fields == ()
        for name in ("cls", "tag_field", "tag", "array_like", "forbid_unknown_fields"):
            assert getattr(ours, name) == getattr(theirs, name)
    elif isinstance(theirs, inspect.Type):
        assert type(ours) is type(theirs)
        for name in theirs.__struct_fields__:
            same(getattr(ours, name), getattr(theirs, name))
    elif isinstance(theirs, tuple):
        assert len(ours) == len(theirs)
        for one, other in zip(ours, theirs, strict=True):
            same(one, other)
    else:
        assert ours == theirs and type(ours) is type(theirs)


ALL = sorted(set(structs()), key=lambda cls: f"{cls.__module__}.{cls.__qualname__}")


def test_there_is_something_to_compare() -> None:
    assert {Machine, Material, KitFile, TreatmentProfile, Convention, Head, OrderFile, Table} <= set(
        ALL
    ) and len(ALL) > 60


@pytest.mark.parametrize("cls", ALL, ids=lambda cls: cls.__name__)
def test_fields_are_as_msgspec_says(cls: type[msgspec.Struct]) -> None:
    theirs = inspect.type_info(cls)
    ours = describe(cls)
    same(ours, theirs)
    assert isinstance(ours, inspect.StructType) and isinstance(theirs, inspect.StructType)
    assert len(fields_of(ours)) == len(theirs.fields)
    for one, other in zip(fields_of(ours), theirs.fields, strict=True):
        same(one.type, other.type)
        for name in ("name", "encode_name", "required", "default", "default_factory"):
            assert getattr(one, name) == getattr(other, name)


@pytest.mark.parametrize(
    "kind",
    [
        Annotated[str, Meta(min_length=1, extra={"words": "a"}), Meta(max_length=3, extra={"unit": "b"})],
        Annotated[tuple[int, ...], Meta(min_length=2, max_length=4)],
        Annotated[dict[str, float], Meta(min_length=1)],
        Annotated[int, Meta(gt=1, lt=9, multiple_of=2)],
        tuple[int, str | None, Literal["b", "a", 3]],
        Annotated[float, Meta(ge=0, le=1)] | bool | None,
    ],
)
def test_kinds_are_as_msgspec_says(kind: Any) -> None:
    same(describe(kind), inspect.type_info(kind))


def test_what_no_file_may_hold_is_refused() -> None:
    with pytest.raises(TypeError, match="no rule for"):
        describe(set[int])
