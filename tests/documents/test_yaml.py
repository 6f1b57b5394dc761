"""YAML of ours: scalars of the core schema, places, bounds, and mistakes with their lines."""

import json
import math
from pathlib import Path

import pytest
import yaml as pyyaml
from hypothesis import given, settings
from hypothesis import strategies as st

from gcodetools.documents import yaml
from gcodetools.errors import InputError

# YAML 1.2.2, section 10.3.2, the example of core tag resolution (from memory).
CORE = b"""A null: null
Booleans: [ true, True, false, FALSE ]
Integers: [ 0, 0o7, 0x3A, -19 ]
Floats: [ 0., -0.0, .5, +12e03, -2E+05 ]
Also floats: [ .inf, -.Inf, +.INF, .NAN ]
"""

json_values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(10**17), 10**17)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(
        st.characters(codec="utf-8", exclude_categories=("Cc", "Cs", "Cn", "Co", "Zl", "Zp")), max_size=20
    ),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(
            st.text(st.characters(codec="ascii", categories=("L",)), min_size=1), inner, max_size=4
        )
    ),
    max_leaves=20,
)


@pytest.fixture(params=["as installed", "pure"])
def parser(request, monkeypatch):
    if request.param == "pure":
        monkeypatch.setattr(yaml, "_Loader", pyyaml.SafeLoader)
    return request.param


def value(text):
    return yaml.plain(yaml.load(f"a: {text}".encode(), "f"))["a"]


def refusal(data, name="f.yaml"):
    with pytest.raises(InputError) as caught:
        yaml.load(data, name)
    assert caught.value.hint
    return caught.value.cause


def test_scalars_follow_the_core_schema(parser):
    data = yaml.plain(yaml.load(CORE, "core"))
    assert data["A null"] is None
    assert data["Booleans"] == [True, True, False, False]
    assert data["Integers"] == [0, 7, 58, -19]
    assert data["Floats"] == [0.0, 0.0, 0.5, 12000.0, -200000.0]
    assert data["Also floats"][:3] == [math.inf, -math.inf, math.inf]
    assert math.isnan(data["Also floats"][3])


@pytest.mark.parametrize(
    ("text", "number"), [("1e3", 1000.0), ("-.5", -0.5), ("1E-2", 0.01), ("+7", 7), ("010", 10)]
)
def test_numbers_that_older_yaml_reads_otherwise(text, number):
    assert value(text) == number


@pytest.mark.parametrize(
    "text", ["on", "yes", "No", "1:30", "2024-01-01", "1_000", "40%", "0b1", "=", "'1'", '"true"']
)
def test_what_looks_special_elsewhere_is_text(text):
    assert value(text) == text.strip("'\"")


@pytest.mark.parametrize("text", ["9" * 5000, "0x" + "f" * 5000])
def test_absurd_integers_are_no_exact_numbers(text):
    assert value(text) == math.inf


def test_keys_are_text():
    assert yaml.plain(yaml.load(b"1: a\non: b\n1.50: c\n~: d", "f")) == {
        "1": "a",
        "on": "b",
        "1.50": "c",
        "~": "d",
    }


def test_every_key_and_value_knows_its_place(parser):
    tree = yaml.load(b"# note\nparts:\n  clip:\n    z: [1,\n        22]\n", "f")
    clip = tree.entries["parts"].value.entries["clip"]
    numbers = clip.value.entries["z"].value
    assert (tree.entries["parts"].line, tree.entries["parts"].column) == (2, 1)
    assert (clip.line, clip.column) == (3, 3)
    assert [(item.line, item.column) for item in numbers.items] == [(4, 9), (5, 9)]


def test_byte_order_mark_and_crlf_change_no_place():
    tree = yaml.load(b"\xef\xbb\xbfa: 1\r\nb: 2\r\n", "f")
    assert [(key, entry.line, entry.column) for key, entry in tree.entries.items()] == [
        ("a", 1, 1),
        ("b", 2, 1),
    ]


def test_alias_repeats_the_value_and_keeps_its_place():
    tree = yaml.load(b"a: &n [1, 2]\nb: *n\n", "f")
    assert tree.entries["b"].line == 2
    assert yaml.plain(tree) == {"a": [1, 2], "b": [1, 2]}


def test_empty_document_is_null():
    assert yaml.plain(yaml.load(b"", "f")) is None


@pytest.mark.parametrize(
    ("data", "cause"),
    [
        (b"a: 1\nb: 2\na: 3\n", "f.yaml:3: key 'a' stands twice, first on line 1"),
        (b"{a: 1,\n 'a': 2}", "f.yaml:2: key 'a' stands twice, first on line 1"),
        (b"a:\n\tb: 1\n", "f.yaml:2: a tab in the indentation"),
        (b"a: 1\n---\nb: 2\n", "f.yaml:2: a second document (---), expected one"),
        (b"? [a]\n: b\n", "f.yaml:1: a list or mapping as a key, expected text"),
        (b"a: 1\nb: *c\n", "f.yaml:2: *c names no value that ends above it"),
        (b"&a [*a]", "f.yaml:1: *a names no value that ends above it"),
        (b"a: 1\nb: \xe4\n", "f.yaml:2: byte 0xe4 is no UTF-8 text"),
        (b"a: 1\nb: \x00\n", "f.yaml:2: control character 0x00, expected text"),
        (b"\xff\xfea\x00", "f.yaml:1: UTF-16 text, expected UTF-8"),
    ],
)
def test_mistakes_name_file_and_line(parser, data, cause):
    assert refusal(data) == cause


@pytest.mark.parametrize(
    "data", [b"a: 1\nb: [1,\n", b"a: 1\nb: c: d\n", b"a: 1\n@b", b"a: 'x\n", b"a: 1\n b: 2\n"]
)
def test_syntax_errors_name_a_line(parser, data):
    assert refusal(data).startswith("f.yaml:")
    assert "not YAML" in refusal(data)


@pytest.mark.parametrize("tag", [b"!!python/object/apply:os.system [echo]", b"!!str 1", b"!mine {}", b"! x"])
def test_no_tag_is_honoured(parser, tag):
    assert refusal(b"a: 1\nb: " + tag).startswith("f.yaml:2: a tag (")


def test_lone_surrogates_are_refused(monkeypatch):
    monkeypatch.setattr(yaml, "_Loader", pyyaml.SafeLoader)
    assert refusal(b'a: "\\ud800"') == "f.yaml:1: half a character (a lone surrogate), expected text"


def test_nesting_is_bounded(parser):
    deep = b"[" * yaml.MAX_DEPTH + b"]" * yaml.MAX_DEPTH
    assert yaml.plain(yaml.load(deep, "f")) is not None
    assert refusal(b"[" + deep + b"]") == f"f.yaml:1: nested more than {yaml.MAX_DEPTH} deep"
    assert refusal(b"[" * 3000).startswith("f.yaml:1: ")


def test_aliases_that_multiply_are_refused_soon():
    rows = [b"a0: &a0 [" + b",".join([b"x"] * 10) + b"]"]
    rows += [b"a%d: &a%d [" % (n, n) + b",".join([b"*a%d" % (n - 1)] * 10) + b"]" for n in range(1, 12)]
    assert refusal(b"\n".join(rows)) == "f.yaml:5: more than 200,000 values"


def test_size_is_bounded(tmp_path):
    assert refusal(b"#" * (yaml.MAX_BYTES + 1)).startswith("f.yaml: over 4,000,000 bytes")
    big = tmp_path / "big.yaml"
    big.write_bytes(b"#" * (yaml.MAX_BYTES + 1))
    with pytest.raises(InputError, match="over 4,000,000 bytes"):
        yaml.load(big)


def test_what_stands_before_another_key_is_enough(parser):
    text = b"a: {c: 1}\nb:\n  - c: 2\nc: 3\nd: {\n"
    found = yaml.load(text, only=("a", "b"))
    assert yaml.plain(found) == {"a": {"c": 1}, "b": [{"c": 2}]}
    assert found.entries["b"].line == 2 and found.entries["b"].value.items[0].entries["c"].value.line == 3
    with pytest.raises(InputError):
        yaml.load(text, only=("a", "b", "c", "d"))


@pytest.mark.parametrize(
    ("text", "value"), [(b"c: 1\n", {}), (b"b: 1\n", {"b": 1}), (b"- c\n", ["c"]), (b"c", "c")]
)
def test_a_document_may_hold_nothing_of_what_is_asked_for(parser, text, value):
    assert yaml.plain(yaml.load(text, only=("a", "b"))) == value


def test_file_is_named_as_given(tmp_path):
    path = tmp_path / "k.yaml"
    path.write_text("a: [")
    with pytest.raises(InputError) as caught:
        yaml.load(path)
    assert caught.value.cause.startswith(f"{path}:1: ")


@pytest.mark.parametrize("path", ["missing.yaml", ".", "a\0b"])
def test_what_cannot_be_read_is_an_input_error(tmp_path, path):
    with pytest.raises(InputError):
        yaml.load(Path(f"{tmp_path}/{path}"))


@settings(max_examples=25)
@given(json_values)
def test_json_reads_as_the_json_library_reads_it(data):
    assert yaml.plain(yaml.load(json.dumps({"a": data}, ensure_ascii=False).encode(), "f")) == {"a": data}


@given(st.text(st.sampled_from("abc:-[]{},&*!|>'\"%@`#\n\t 01.~?"), max_size=40))
def test_any_text_is_read_or_refused_by_both_parsers(text):
    for loader in (pyyaml.SafeLoader, getattr(pyyaml, "CSafeLoader", pyyaml.SafeLoader)):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(yaml, "_Loader", loader)
            try:
                yaml.plain(yaml.load(text.encode(), "f"))
            except InputError as error:
                assert error.cause.startswith("f:")


@given(st.binary(max_size=60))
def test_any_bytes_are_read_or_refused(data):
    try:
        yaml.load(data, "f")
    except InputError as error:
        assert error.cause.startswith("f:")
