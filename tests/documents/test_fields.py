"""From YAML to structs: what is taken, and how each mistake is told."""

from typing import Annotated, ClassVar, Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import Meta, Struct, field

from gcodetools.documents import yaml
from gcodetools.documents.fields import Flaw, Problems, convert, locate, override, path_text, read
from gcodetools.documents.kinds import Count, Factor, Mm, Name, Percent, PositiveMm, Share, nearest
from gcodetools.errors import InputError, UsageError


class Disc(Struct, frozen=True, tag="disc", tag_field="figure"):
    radius: PositiveMm
    z: tuple[Mm, Mm] | None = None

    def flaws(self):
        if self.z and self.z[0] >= self.z[1]:
            yield Flaw(("z",), "it backwards", "[low, high]")


class Thin(Struct, frozen=True, tag="thin", tag_field="figure"):
    bare: ClassVar[str] = "mm"
    mm: PositiveMm


class Whole(Struct, frozen=True, tag="whole", tag_field="figure"):
    word: ClassVar[bool] = True


class Both(Struct, frozen=True, tag="both", tag_field="figure"):
    bare: ClassVar[str] = "figures"
    figures: Annotated[tuple["Figure", ...], Meta(min_length=1)]


Figure = Disc | Thin | Whole | Both


class Air(Struct, frozen=True):
    one_of: ClassVar[tuple[str, ...]] = ("cap", "set")
    example: ClassVar[str] = "{cap: 25%}"
    cap: Share | None = None
    set: Share | None = None


class Thing(Struct, frozen=True):
    name: Name = "x"
    count: Count = 1
    share: Share = 0.0
    percent: Percent = 0.0
    factor: Factor = 1.0
    length_mm: Mm = field(default=0.0, name="length")
    role: Literal["clip", "rib"] = "clip"
    yes: bool = False
    figure: Figure | None = None
    air: Air | None = None
    pick: Literal["all"] | tuple[Count, ...] = "all"
    parts: dict[Name, Disc] = {}


def thing(text):
    return read(yaml.load(text.encode(), "t.yaml"), Thing, "t.yaml")


def refusal(text):
    with pytest.raises(InputError) as caught:
        thing(text)
    assert caught.value.hint
    return caught.value.cause


@pytest.mark.parametrize(
    ("text", "key", "value"),
    [
        ("share: 40%", "share", 0.4),
        ("share: 7 %", "share", 0.07),
        ("share: 0", "share", 0.0),
        ("share: '2.5%'", "share", 0.025),
        ("percent: -25%", "percent", -0.25),
        ("factor: 1.05", "factor", 1.05),
        ("factor: 105%", "factor", 1.05),
        ("length: 22", "length_mm", 22.0),
        ("length: 1e3", "length_mm", 1000.0),
        ("count: 3", "count", 3),
        ("pick: all", "pick", "all"),
        ("pick: [1, 3]", "pick", (1, 3)),
        ("figure: whole", "figure", Whole()),
        ("figure: {thin: 2}", "figure", Thin(2.0)),
        ("figure: {disc: {radius: 2, z: [0, 1]}}", "figure", Disc(2.0, (0.0, 1.0))),
        ("figure: {both: [whole, {both: [{thin: 1}]}]}", "figure", Both((Whole(), Both((Thin(1.0),))))),
        ("figure:", "figure", None),
        ("air: {cap: 10%}", "air", Air(cap=0.1)),
        ("parts: {1: {radius: 1}}", "parts", {"1": Disc(1.0)}),
    ],
)
def test_value_is_taken(text, key, value):
    assert getattr(thing(text), key) == value


def test_whole_numbers_become_floats_where_lengths_are_meant():
    assert isinstance(thing("length: 22").length_mm, float)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("share: 40", "share: found 40, expected a percentage with its sign from 0% to 100%: write 40%"),
        (
            "share: 0.4",
            "share: found 0.4, expected a percentage with its sign from 0% to 100%: "
            "write 0.4%, or 40% if that is meant",
        ),
        ("share: 400", "share: found 400, expected a percentage with its sign from 0% to 100%"),
        ("share: 140%", "share: found '140%', expected a percentage with its sign from 0% to 100%"),
        (
            "factor: 105",
            "factor: found 105, expected a factor such as 1.05, or a percentage such as 105% "
            "from above 0 to 10: write 105% if percent is meant",
        ),
        ("length: 5mm", "length: found '5mm', expected a number in mm without its unit"),
        ("length: [1]", "length: found a list of 1, expected a number in mm"),
        ("length: true", "length: found true, expected a number in mm"),
        ("length: .inf", "length: found .inf, expected a number in mm from -10000 to 10000"),
        ("length: 2e4", "length: found 2e4, expected a number in mm from -10000 to 10000"),
        ("length:", "length: found nothing, expected a number in mm"),
        ("count: 0", "count: found 0, expected a whole number of at least 1"),
        ("count: 1.5", "count: found 1.5, expected a whole number of at least 1"),
        ("count: true", "count: found true, expected a whole number of at least 1"),
        ("yes: on", "yes: found 'on', expected true or false"),
        ("role: clipp", "role: found 'clipp', expected one of clip, rib; nearest: clip"),
        ("name: 12", 'name: found 12, expected a name of 1 to 80 characters on one line: write "12"'),
        ('name: "a\\nb"', "name: found 'a\\nb', expected a name of 1 to 80 characters on one line"),
        ("air: 40%", "air: found '40%', expected a mapping such as {cap: 25%}"),
        ("air: {}", "air: found none of cap, set, expected exactly one of cap, set"),
        ("air: {cap: 1%, set: 2%}", "air: found cap and set, expected exactly one of cap, set"),
        ("pick: al", "pick: found 'al', expected all; nearest: all"),
        ("pick: [1, 0]", "pick[2]: found 0, expected a whole number of at least 1"),
        ("lenght: 1", "lenght: found unknown key 'lenght', expected 'length' (nearest valid key)"),
        (
            "figure: wole",
            "figure: found 'wole', expected a figure: disc, thin, whole, both; nearest: whole",
        ),
        (
            "figure: {disk: {}}",
            "figure: found 'disk', expected a figure: disc, thin, whole, both; nearest: disc",
        ),
        (
            "figure: {thin: 1, disc: 2}",
            "figure: found 2 keys (thin, disc), expected one figure in each mapping",
        ),
        ("figure: {whole: 1}", "figure: found 'whole', expected the bare word whole"),
        ("figure: {disc: {}}", "figure.disc: found no key 'radius', expected a number in mm above 0"),
        (
            "figure: {both: []}",
            "figure.both: found a list of 0, expected a list of at least 1: "
            "each a figure: disc, thin, whole, both",
        ),
        ("figure: {disc: {radius: 1, z: [2, 1]}}", "figure.disc.z: found it backwards, expected [low, high]"),
        (
            "figure: {disc: {radius: 1, z: [2]}}",
            "figure.disc.z: found a list of 1, expected a list of 2: each a number in mm",
        ),
        ("parts: [1]", "parts: found a list of 1, expected a mapping"),
        (
            "[1, 2]",
            "found a list of 2, expected a mapping of name, count, share, percent, factor, length, "
            "role, yes, figure, air, pick, parts",
        ),
    ],
)
def test_mistake_is_told(text, message):
    assert refusal(text) == f"t.yaml:1: {message}"


def test_all_mistakes_are_told_at_once_in_the_order_of_the_lines():
    text = "figure:\n  both:\n    - thin: 0\n    - disc: {radius: x}\nrole: no\ncount: 0\nunknown: 1\n"
    lines = refusal(text).splitlines()
    assert [line.split(": ")[0] for line in lines] == [f"t.yaml:{n}" for n in (3, 4, 5, 6, 7)]
    assert "figure.both[2].disc.radius" in lines[1]


def test_many_mistakes_are_counted():
    lines = refusal("\n".join(f"k{n}: 1" for n in range(50))).splitlines()
    assert len(lines) == 21
    assert lines[-1] == "t.yaml: and 30 more"


def test_missing_key_is_told_at_the_line_of_its_parent():
    assert refusal("yes: true\nparts:\n  a:\n    z: [1, 2]\n").startswith(
        "t.yaml:3: parts.a: found no key 'radius'"
    )


def test_keys_that_steer_a_terminal_are_escaped():
    assert "\x1b" not in refusal('"\\e[31m": 1')
    assert "\n" not in refusal('parts: {"a\\nb": {radius: 1}}')


def test_path_counts_items_from_one():
    assert path_text(("parts", "clip", "label", 0)) == "parts.clip.label[1]"


def test_locate_stops_at_the_deepest_part_that_exists():
    node = yaml.load(b"a:\n  b:\n    - 1\n    - 2\n", "f")
    assert [locate(node, path) for path in [("a",), ("a", "b", 1), ("a", "b", 7), ("a", "x"), ("q",)]] == [
        1,
        4,
        2,
        1,
        1,
    ]


@pytest.mark.parametrize(("word", "close"), [("heigth", "height"), ("LABEL", "label"), ("zzz", "")])
def test_nearest(word, close):
    assert nearest(word, ["height", "label"]) == close


def test_override_sets_dotted_keys_and_leaves_the_original():
    before = Thing(figure=Disc(2.0))
    after = override(
        {"thing": before}, {"thing.share": "30%", "thing.figure.radius": "3", "thing.pick": "[2]"}
    )
    assert after["thing"] == Thing(share=0.3, figure=Disc(3.0), pick=(2,))
    assert before == Thing(figure=Disc(2.0))


@pytest.mark.parametrize(
    ("key", "text", "message"),
    [
        ("lenght", "1", "--set lenght=1: no key 'lenght', nearest 'length'"),
        ("length", "x", "--set length=x: found 'x', expected a number in mm"),
        ("length.deep", "1", "--set length.deep=1: nothing stands below 'length'"),
        ("figure.radius", "-1", "--set figure.radius=-1: found -1, expected a number in mm above 0"),
        ("figure.z", "[3, 2]", "--set figure.z=[3, 2]: found it backwards, expected [low, high]"),
        ("length", "[", "--set length=[: column 2: not YAML: did not find expected node content"),
        ("", "1", "--set =1: no key ''"),
    ],
)
def test_override_refuses(key, text, message):
    with pytest.raises(UsageError) as caught:
        override(Thing(figure=Disc(2.0)), {key: text})
    assert caught.value.cause.startswith(message)
    assert caught.value.hint


def test_override_of_a_whole_group_is_refused():
    with pytest.raises(UsageError, match="'thing' is no single value"):
        override({"thing": Thing()}, {"thing": "1"})


def json_like():
    keys = st.sampled_from(
        ["name", "share", "figure", "disc", "both", "thin", "air", "cap", "parts", "radius", "z"]
    )
    leaves = st.none() | st.booleans() | st.integers(-5, 50) | st.sampled_from(["40%", "whole", "all", "x"])
    return st.recursive(
        leaves,
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(keys, inner, max_size=3),
        max_leaves=12,
    )


@given(json_like())
def test_any_tree_gives_a_struct_or_mistakes_and_never_both(data):
    node = yaml.load(repr(data).replace("None", "null").encode(), "f")
    problems = Problems("f", node)
    result = convert(node, Thing, problems)
    assert isinstance(result, Thing) or len(problems)
