"""Values of JSON and their places, against the json module."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gcodetools.errors import InputError
from gcodetools.slicer_settings.document import Stated
from gcodetools.slicer_settings.json_spans import read_json, tokens

TEXT = st.text(st.characters(codec="utf-8", exclude_categories=["Cs"]), max_size=6)
SCALAR = st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | TEXT
VALUE = st.recursive(
    SCALAR,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(TEXT, inner, max_size=4),
    max_leaves=8,
)
OBJECT = st.dictionaries(TEXT, VALUE, max_size=6)
LAID_OUT = st.sampled_from(
    [{}, {"indent": 4}, {"indent": "\t"}, {"separators": (",", ":")}, {"ensure_ascii": False}]
)


def value_of(text: str, quoted: bool) -> Any:
    raw = text.encode("latin-1").decode("utf-8")
    return json.loads(f'"{raw}"' if quoted else raw)


def plain(one: Stated) -> Any:
    values = [value_of(item.text, item.quoted) for item in one.items]
    return values if one.is_list else values[0]


def name(text: str) -> str:
    return text.encode("latin-1").decode("utf-8")


def flat(value: Any) -> bool:
    return not isinstance(value, dict) and not (
        isinstance(value, list) and any(isinstance(v, list | dict) for v in value)
    )


def expected(document: dict[str, Any]) -> list[tuple[str, str, Any]]:
    """(section, key, value) in order; None in place of a list or object that goes deeper."""
    rows: list[tuple[str, str, Any]] = []
    for key, value in document.items():
        if not isinstance(value, dict):
            rows.append(("", key, value if flat(value) else ...))
        else:
            rows += [(key, inner, v if flat(v) else ...) for inner, v in value.items()]
    return rows


@settings(max_examples=40)
@given(OBJECT, LAID_OUT, st.booleans())
def test_statements_are_those_of_json(document: dict[str, Any], how: dict[str, Any], marked: bool) -> None:
    data = (b"\xef\xbb\xbf" if marked else b"") + json.dumps(document, **how).encode()
    found = read_json(data, "x.json")
    assert [(name(s.section), name(s.key), plain(s) if s.whole else ...) for s in found] == expected(
        json.loads(data.decode("utf-8-sig"))
    )
    text = data.decode("latin-1")
    for one in found:
        for item in one.items:
            assert text[item.start : item.start + len(item.text)] == item.text
            assert item.quoted == (text[item.start - 1] == '"')
        assert (
            one.line == text.count("\n", 0, text.index(one.items[0].text, one.items[0].start)) + 1
            if (one.items and not one.is_list and "\n" not in one.items[0].text)
            else True
        )


@given(st.text(alphabet='{}[],:"\\ 0123456789.eE+-truefalsn\nü', max_size=40))
def test_what_json_refuses_is_refused_and_nothing_else(text: str) -> None:
    data = ("{" + text).encode()
    try:
        wanted = json.loads(data)
    except ValueError:
        with pytest.raises(InputError):
            read_json(data, "x.json")
    else:
        assert len(read_json(data, "x.json")) == len(expected_pairs(data, wanted))


def expected_pairs(data: bytes, wanted: dict[str, Any]) -> list[tuple[str, str, Any]]:
    """As `expected`, with keys that stand twice."""
    pairs: list[tuple[str, Any]] = json.loads(data, object_pairs_hook=lambda found: found)
    rows: list[tuple[str, str, Any]] = []
    assert wanted == dict(json.loads(data))
    for key, value in pairs:
        inner = isinstance(dict(json.loads(data, object_pairs_hook=_first))[key], dict)
        rows += [(key, k, v) for k, v in value] if inner and isinstance(value, list) else [("", key, value)]
    return rows


def _first(found: list[tuple[str, Any]]) -> dict[str, Any]:
    return dict(found)


def test_a_key_that_stands_twice_is_stated_twice() -> None:
    found = read_json(b'{"a": 1, "b": {"a": 2}, "a": "3"}', "x")
    assert [(s.section, s.key, s.text) for s in found] == [("", "a", "1"), ("b", "a", "2"), ("", "a", "3")]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('{"a": [1,\n 2', "x.json:2:3: no JSON: expecting ',' delimiter; the file seems cut off"),
        ('{"a": "b', "x.json:1:7: no JSON: unterminated string starting at; the file seems cut off"),
        ('{"a": 1,}', "no JSON: "),
        ('{"a": 1} x', "x.json:1:10: no JSON: extra data"),
        ('{"a":' + "[" * 100_000, "no JSON of settings: nested too deep"),
    ],
)
def test_broken_json_is_told_with_its_place(text: str, told: str) -> None:
    with pytest.raises(InputError) as caught:
        read_json(text.encode(), "x.json")
    assert told in caught.value.cause and caught.value.hint


def test_json_that_is_not_utf8_is_read_all_the_same() -> None:
    (one,) = read_json('{"name": "Größe"}'.encode("latin-1"), "x")
    assert one.text == "Größe"


def test_a_long_string_takes_no_time() -> None:
    text = '{"a": "' + "\\n;" * 1_000_000 + '"}'
    assert [t.kind for t in tokens(text)] == ["mark", "text", "mark", "text", "mark"]
