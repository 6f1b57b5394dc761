"""Fits may be drawn with play, and may name the region they hold."""

from __future__ import annotations

import pytest
from msgspec import Struct

from gcodetools.documents import yaml
from gcodetools.documents.fields import read
from gcodetools.errors import InputError
from gcodetools.kit.loads import Key, Load, Press


class Holder(Struct, frozen=True):
    load: Load


def load(text: str) -> Load:
    return read(yaml.load(f"load: {text}".encode(), "k"), Holder, "k").load


KEY = "{{key: {{width: 6, squeeze: {}, height: 4, length: 12}}}}"
PRESS = "{{press: {{diameter: 8, interference: {}, outer: 16, length: 10}}}}"


@pytest.mark.parametrize("squeeze", ["0", "-0.1", "-0.5", "0.05"])
def test_play_is_a_squeeze_below_zero(squeeze):
    key, press = load(KEY.format(squeeze)), load(PRESS.format(squeeze))
    assert isinstance(key, Key) and isinstance(press, Press)
    assert key.squeeze_mm == press.interference_mm == float(squeeze)


@pytest.mark.parametrize(("form", "name"), [(KEY, "key.squeeze"), (PRESS, "press.interference")])
@pytest.mark.parametrize("squeeze", ["-0.51", "-1", "nan", "0.1mm", "tight"])
def test_more_play_than_a_fit_has_is_refused(form, name, squeeze):
    with pytest.raises(InputError) as caught:
        load(form.format(squeeze))
    assert f"k:1: load.{name}: found" in caught.value.cause
    assert "a number in mm of at least -0.5" in caught.value.cause


def test_a_partner_is_named():
    named = load("{key: {width: 6, squeeze: 0, height: 4, length: 12, mate: saddle/key-slot}}")
    assert named == Key(width_mm=6, squeeze_mm=0, height_mm=4, length_mm=12, mate="saddle/key-slot")
    assert load(KEY.format(0)).mate is None
    with pytest.raises(InputError, match=r"load\.press\.mate: found 3"):
        load("{press: {diameter: 8, interference: 0.1, outer: 16, length: 10, mate: 3}}")
