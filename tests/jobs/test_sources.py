"""Which instances and which profiles a run means."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from gcodetools.errors import UsageError
from gcodetools.jobs.sources import Subset, profiles_for
from gcodetools.marks.settings import Settings


def pose(part: str, instance: int, label: str | None = None) -> SimpleNamespace:
    return SimpleNamespace(part=part, instance=instance, label=label)


@pytest.mark.parametrize(
    "text, pairs",
    [
        ("clip", (("clip", None),)),
        ("Clip#1,3", (("clip", frozenset({1, 3})),)),
        ("clip#1,3,hook#2", (("clip", frozenset({1, 3})), ("hook", frozenset({2})))),
        ("clip, hook", (("clip", None), ("hook", None))),
        ("7558", (("7558", None),)),
        ("clip#1,hook,3", (("clip", frozenset({1})), ("hook", None), ("3", None))),
    ],
)
def test_only_is_read(text, pairs):
    assert Subset.parse(text).only == pairs


@pytest.mark.parametrize("text", ["", ",", "#", "clip#", "#2", "clip#a", "clip#1,"])
def test_only_is_refused(text):
    with pytest.raises(UsageError):
        Subset.parse(text)


def test_only_matches_part_or_label_by_glob():
    subset = Subset.parse("film-*#2")
    assert subset.holds(pose("film-clip", 2)) and not subset.holds(pose("film-clip", 1))
    assert subset.holds(pose("x", 2, "Film-Clip.stl"))


def test_misses_name_what_is_asked_for_in_vain():
    there = [pose("clip", 1), pose("clip", 2)]
    assert Subset.parse("clip#2,9,hook").misses(there) == ["clip#9", "hook"]
    assert Subset().misses(there) == [] and Subset().holds(there[0])


def test_the_materials_name_comes_from_the_nearest_source():
    settings = SimpleNamespace(filament_type="PLA;PLA")
    kit = SimpleNamespace(material="petg", machine=None)
    assert profiles_for(None, settings, "abs", None, ()).material_from == "command line"
    assert profiles_for(kit, settings, None, None, ()).material.name == "petg"
    assert profiles_for(None, settings, None, None, ()).material.name == "pla"
    unknown = profiles_for(None, SimpleNamespace(filament_type="WOOD"), None, None, ())
    assert (unknown.material.name, unknown.material_from) == ("petg", "assumed")


def test_a_plain_word_of_the_file_means_the_one_profile_of_its_kind():
    found = profiles_for(None, Settings(filament_type="TPU"), None, None, ())
    assert (found.material.name, found.material_from) == ("tpu-95a", "file")
