"""A record of ours is and does what the library's dataclass is and does, which is the judge here."""

from __future__ import annotations

import ast
import copy
import dataclasses
import inspect
import pickle
from dataclasses import field
from pathlib import Path

import pytest

import gcodetools
from gcodetools import records

PACKAGE = Path(gcodetools.__file__).parent
WAYS = [
    {},
    {"frozen": True},
    {"slots": True},
    {"frozen": True, "slots": True},
    {"frozen": True, "slots": True, "kw_only": True},
]


def bare():
    class Bare:
        x: int
        y: float = 2.0
        many: list[int] = field(default_factory=list)
        hidden: str = field(default="h", repr=False, compare=False)
        late: int = field(default=5, init=False)
        made: list[int] = field(default_factory=lambda: [1], init=False)
        self_only: int = field(default=7, kw_only=True)

        def twice(self) -> float:
            return 2 * self.y

    return Bare


def below(made):
    class Below(made):
        z: int = 9

        def __post_init__(self):
            object.__setattr__(self, "late", self.x + 1)

    return Below


class OfOwn:
    x: int = 1

    def __eq__(self, other):
        return True

    def __repr__(self):
        return "own"


def pair(way, base=bare):
    return records.dataclass(**way)(base()), dataclasses.dataclass(**way)(base())


def outcome(work):
    """What comes of it: the result, or the error's type."""
    try:
        return work()
    except Exception as error:
        return type(error)


def both(way):
    ours, theirs = pair(way)
    return [(ours, theirs), tuple(one(**way)(below(made)) for one, made in
                                  ((records.dataclass, ours), (dataclasses.dataclass, theirs)))]  # fmt: skip


def facts(kind, given, named):
    """What a record of a kind is and does; the error's type where it can't be made."""
    one, alike = (outcome(lambda: kind(*given, **named)) for _ in range(2))
    if isinstance(one, type):
        return one
    hashed = outcome(lambda: hash(one))
    return [
        repr(one).partition(".<locals>.")[2], dataclasses.asdict(one), one == alike, one == kind(x=77), one == 3,
        one != alike, hashed == outcome(lambda: hash(alike)), isinstance(hashed, int), kind.__hash__ is None,
        one.twice(), dataclasses.asdict(dataclasses.replace(one, x=12)),
        outcome(lambda: dataclasses.replace(one, late=1)), one.many is not alike.many,
        repr(copy.copy(one)) == repr(one), repr(copy.deepcopy(one)) == repr(one), hasattr(one, "__dict__"),
        isinstance(outcome(lambda: setattr(one, "other", 5)), type),  # the library's own error has been another
        outcome(lambda: setattr(one, "x", 5)),
        outcome(lambda: delattr(one, "y")),
    ]  # fmt: skip


GIVEN = [
    ((), {"x": 1}), ((1,), {}), ((1, 3.0), {}), ((), {"x": 1, "many": [4], "hidden": "no"}), ((), {}),
    ((1,), {"x": 1}), ((), {"x": 1, "wrong": 2}), ((), {"x": 1, "late": 2}), ((), {"x": 1, "self_only": 8}),
    ((1, 2.0, [3], "h", 4, 5, 6, 7), {}),
]  # fmt: skip


@pytest.mark.parametrize("way", WAYS, ids=str)
def test_made_printed_compared_hashed_and_changed_alike(way):
    for ours, theirs in both(way):
        assert [f.name for f in dataclasses.fields(ours)] == [f.name for f in dataclasses.fields(theirs)]
        assert ours.__match_args__ == theirs.__match_args__
        for given, named in GIVEN:
            assert facts(ours, given, named) == facts(theirs, given, named), (given, named)


@pytest.mark.parametrize("way", WAYS[:4], ids=str)
def test_a_class_keeps_the_methods_that_are_its_own(way):
    for one in (records.dataclass, dataclasses.dataclass):
        made = one(**way)(copy_of(OfOwn))
        assert repr(made()) == "own"
        assert made(1) == made(2)
        assert isinstance(outcome(lambda made=made: hash(made())), int) is bool(way.get("frozen"))


def copy_of(kind):
    names = {key: value for key, value in kind.__dict__.items() if key not in ("__dict__", "__weakref__")}
    return type(kind.__name__, (), names)


def test_one_that_prints_itself_ends():
    for one in (records.dataclass, dataclasses.dataclass):

        @one
        class Looped:
            me: list[object] = field(default_factory=list)

        it = Looped()
        it.me.append(it)
        assert repr(it).endswith("Looped(me=[...])")


@records.dataclass(frozen=True, slots=True)
class Kept:
    """Of a module, so that it can be pickled."""

    x: int
    y: tuple[int, ...] = ()


def test_it_comes_back_from_a_pickle():
    assert pickle.loads(pickle.dumps(Kept(1, (2,)))) == Kept(1, (2,))
    assert hash(Kept(1)) == hash(Kept(1))


def test_a_method_is_made_the_first_time_it_is_asked_for():
    ours, _ = pair({"frozen": True, "slots": True})
    lazy = ours.__init__
    ours(1)
    assert ours.__init__ is not lazy
    assert list(inspect.signature(ours.__init__).parameters)[:3] == ["self", "x", "y"]


def test_all_records_of_the_package_are_ours():
    for path in PACKAGE.rglob("*.py"):
        if path == PACKAGE / "records.py":
            continue
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.ImportFrom) and node.module == "dataclasses":
                assert "dataclass" not in [name.name for name in node.names], path
