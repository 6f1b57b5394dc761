"""JSON Schema says of structure what reading says."""

from typing import Annotated, ClassVar, Literal

import jsonschema
import pytest
from msgspec import Meta, Struct, field

from gcodetools.documents.fields import read
from gcodetools.documents.kinds import Count, Factor, Name, Share
from gcodetools.documents.schemas import json_schema
from gcodetools.documents.yaml import load
from gcodetools.errors import InputError


class Leaf(Struct, tag="leaf", tag_field="tree"):
    bare: ClassVar[str] = "count"
    count: Count


class Bud(Struct, tag="bud", tag_field="tree"):
    word: ClassVar[bool] = True


class Twig(Struct, tag="twig", tag_field="tree"):
    """A twig.

    Not shown.
    """

    bare: ClassVar[str] = "parts"
    parts: Annotated[tuple["Tree", ...], Meta(min_length=1)]


Tree = Leaf | Bud | Twig


class Air(Struct):
    one_of: ClassVar[tuple[str, ...]] = ("cap", "set")
    cap: Share | None = None
    set: Share | None = None


class Garden(Struct):
    tree: Tree
    name: Name = "x"
    air: Air | None = None
    factor: Factor = 1.0
    pair: tuple[Count, float] | None = None
    role: Literal["clip", "rib"] = "clip"
    flag: bool = field(default=False, name="yes")
    by_name: dict[Name, Count] = {}


SCHEMA = json_schema(Garden, "Garden")


def good(document):
    return jsonschema.Draft202012Validator(SCHEMA).is_valid(document)


def test_schema_is_one():
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    assert SCHEMA["$defs"]["Twig"]["description"] == "A twig."


@pytest.mark.parametrize(
    "more",
    [
        {"tree": {"leaf": 1}},
        {"tree": {"twig": ["bud", {"twig": [{"leaf": 2}]}]}},
        {"air": {"cap": "40%"}},
        {"air": {"set": 0}},
        {"factor": 1.05},
        {"factor": "105%"},
        {"pair": [1, 2.5]},
        {"by_name": {"a": 1}},
        {"yes": True},
    ],
)
def test_good_document_passes(more):
    assert good({"tree": "bud", **more})


@pytest.mark.parametrize(
    "more",
    [
        {"tree": "leaf"},
        {"tree": {"bud": 1}},
        {"tree": {"leaf": 1, "twig": ["bud"]}},
        {"tree": {"twig": []}},
        {"air": {"cap": 40}},
        {"air": {}},
        {"air": {"cap": "1%", "set": "2%"}},
        {"factor": 105},
        {"factor": "105"},
        {"pair": [1]},
        {"pair": [1, 2, 3]},
        {"role": "clipp"},
        {"flag": True},
        {"by_name": {"": 1}},
        {"name": "a\nb"},
        {"unknown": 1},
    ],
)
def test_bad_document_fails(more):
    assert not good({"tree": "bud", **more})


def test_missing_key_fails():
    assert not good({})


class Bounds(Struct):
    part: Share | None = None
    most: Annotated[float, Meta(ge=0, le=0.9, extra={"unit": "%"})] | None = None
    step: Annotated[float, Meta(ge=-1, le=1, extra={"unit": "%"})] | None = None
    any: Annotated[float, Meta(extra={"unit": "%"})] | None = None
    factor: Factor | None = None
    scale: Annotated[float, Meta(ge=0, le=10, extra={"unit": "ratio"})] | None = None
    few: Annotated[tuple[Count, ...], Meta(min_length=1, max_length=2)] | None = None


NUMBERS = ("0", "00", "0.0", "0.", ".0", ".5", "7", "007", "40", "89.9", "90", "90.1", "99.99", "100", "100.", "100.0",
           "100.1", "101", "999.9", "1000", "1000.00", "1000.1", "1001", "0100", "1e2", "", ".")  # fmt: skip


@pytest.mark.parametrize("key", ["part", "most", "step", "any", "factor", "scale"])
def test_percentages_are_bounded_as_reading_bounds_them(key):
    validator = jsonschema.Draft202012Validator(json_schema(Bounds, "Bounds"))
    for sign in ("", "+", "-"):
        for number in NUMBERS:
            for percent in ("%", " %", "", "%%"):
                text = f"{sign}{number}{percent}"
                try:
                    read(load(f"{key}: '{text}'".encode()), Bounds, "text")
                    taken = True
                except InputError:
                    taken = False
                assert validator.is_valid({key: text}) == taken, (key, text)


@pytest.mark.parametrize("few", [[], [1], [1, 2], [1, 2, 3]])
def test_lists_are_as_long_as_they_may_be(few):
    assert jsonschema.Draft202012Validator(json_schema(Bounds, "Bounds")).is_valid({"few": few}) == (
        1 <= len(few) <= 2
    )


class Told(Struct):
    """Things of a kind. size : how large it is; in halves. low, high : its ends.

    name : what it is called (see `elsewhere`). unknown : no key of it. high_mm : not a key either.
    """

    size_mm: Annotated[float, Meta(extra={"unit": "mm"})] = field(name="size")
    low: float = 0.0
    high: float = 0.0
    name: Name = "x"


def test_what_a_docstring_says_of_keys_is_told_with_them():
    schema = json_schema(Told, "Told")
    assert schema["description"] == "Things of a kind."
    told = {key: value.get("description") for key, value in schema["properties"].items()}
    assert told["size"] == "How large it is; in halves. Unit: mm."
    assert told["low"] == told["high"] == "Its ends."
    assert told["name"].startswith("What it is called. unknown")
