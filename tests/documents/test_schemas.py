"""JSON Schema says of structure what reading says."""

from typing import Annotated, ClassVar, Literal

import jsonschema
import pytest
from msgspec import Meta, Struct, field

from gcodetools.documents.kinds import Count, Factor, Name, Share
from gcodetools.documents.schemas import json_schema


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
