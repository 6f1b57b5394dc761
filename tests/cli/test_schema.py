"""`beadwright schema`: what an editor is told agrees with what reading takes, on every file of ours and on mistakes.

The judge of a schema is the library jsonschema, a full implementation of JSON Schema draft 2020-12.
"""

from __future__ import annotations

import json
import runpy
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from gcodetools.cli.main import status_of
from gcodetools.demo.kit import hoophouse_kit
from gcodetools.documents import fields, profiles, yaml
from gcodetools.errors import InputError
from gcodetools.jobs.schema import KINDS, schema_of

TESTS = Path(__file__).resolve().parents[1]
PROJECT = TESTS.parent


@cache
def cases(module: str) -> dict[str, Any]:
    """The names of another test module: its valid files and its mistakes."""
    return runpy.run_path(str(TESTS / module))


@cache
def validator(kind: str) -> jsonschema.Draft202012Validator:
    schema = schema_of(kind)
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


def readme_kits() -> list[str]:
    """Blocks of README that are kits."""
    blocks = (PROJECT / "README.md").read_text(encoding="utf-8").split("\n\n")
    return [block for block in blocks if block.startswith("    beadwright: 1\n    kit:")]


@cache
def good(kind: str) -> tuple[str, ...]:
    """Valid files of a kind: all of the project, and those of the tests."""
    if kind == "kit":
        return (hoophouse_kit(), cases("kit/test_schema.py")["KIT"], *readme_kits())
    if kind == "order":
        return (cases("planning/test_order.py")["GOOD"],)
    found = (profiles.root() / f"{kind}s").glob("*.yaml")
    return tuple(path.read_text(encoding="utf-8") for path in sorted(found))


def data(text: str) -> Any:
    return yaml.plain(yaml.load(text.encode(), "text"))


@pytest.mark.parametrize("kind", KINDS)
def test_every_good_file_passes(kind: str) -> None:
    assert len(good(kind)) >= (3 if kind == "kit" else 1)
    for text in good(kind):
        assert [f"{e.json_path}: {e.message}" for e in validator(kind).iter_errors(data(text))] == []


# What a mistake leaves as it is, but for what the schema's $comment says that only reading finds.
ODD: tuple[Any, ...] = (
    None,
    True,
    -7,
    0,
    1,
    0.4,
    40,
    1e9,
    "40%",
    "-300%",
    "x",
    "all",
    "",
    "a\nb",
    [],
    [1],
    {},
    {"x": 1},
)


def mutants(node: Any, path: tuple[str | int, ...] = ()) -> Iterator[tuple[tuple[str | int, ...], Any]]:
    """Each place of a document with each odd value put there, each key left out, renamed or added."""
    for odd in ODD:
        yield path, odd
    if isinstance(node, dict):
        yield path, {**node, "zz-unknown": 1}
        for key in node:
            yield path, {other: value for other, value in node.items() if other != key}
            yield path, {(f"{other}z" if other == key else other): value for other, value in node.items()}
            yield from mutants(node[key], (*path, key))
    elif isinstance(node, list):
        yield path, [*node, node[0]] if node else [1]
        yield path, node[:-1]
        for index, item in enumerate(node[:2]):
            yield from mutants(item, (*path, index))


def put(node: Any, path: tuple[str | int, ...], value: Any) -> Any:
    if not path:
        return value
    copied = dict(node) if isinstance(node, dict) else list(node)
    copied[path[0]] = put(node[path[0]], path[1:], value)
    return copied


def taken(kind: str, document: Any) -> bool:
    """Whether reading takes it, but for flaws that types can't express."""
    text = json.dumps(document, ensure_ascii=False)
    try:
        node = yaml.load(text.encode(), "text")
        if kind == "material":
            profiles.material_of(text.encode(), profiles.root() / "materials/of-the-test.yaml")
        else:
            fields.read(node, KINDS[kind].struct, "text")
    except InputError as error:
        return "like: no material named" in error.cause  # a name that there is not is none of the schema's
    return True


SMALL_MATERIAL = """\
beadwright: 1
material: mine
like: petg
price_per_kg: {value: 22, source: the bill, flag: verified}
bond: {measured: [{nozzle_c: 235, across_mpa: 20, source: mine, flag: measured}]}
strength: {snap: {along_once: {value: 1.5%, spread: [1%, 2%], source: mine, flag: measured}}}
"""
SMALL_KIT = """\
beadwright: 1
kit: small
material: petg
base: {nozzle: 230, fan: 40%}
parts:
  clip:
    found_by: {label: [a, b], height: 3, symmetry: 2, scale_within: 1%}
    instances: [1, 2]
    regions:
      r:
        within: {all_of: [{slab: {z: [1, 2]}}, {wedge: {centre: [0, 0], radius: [1, 2], angle: [0, 9]}}, all]}
        load: {key: {width: 6, squeeze: 0.1, height: 5, length: 8}}
        use: {times: 20, temperature: [-5, 40]}
        treat: [supple, {fan: {cap: 25%}, speed: {scale: 80%}, perimeters: {fill: true}, flow: {scale: 1.04}}]
"""


@pytest.mark.parametrize(
    ("kind", "text", "step"),
    [
        ("kit", SMALL_KIT, 3),
        ("order", cases("planning/test_order.py")["GOOD"], 5),
        ("material", SMALL_MATERIAL, 2),
        ("machine", good("machine")[0], 5),
        ("treatment", good("treatment")[0], 1),
    ],
    ids=list(KINDS),
)
@pytest.mark.every(1)
def test_schema_and_reading_judge_every_mistake_alike(
    kind: str, text: str, step: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(fields, "_flaws", lambda value: ())
    document = data(text)
    assert taken(kind, document) and validator(kind).is_valid(document)
    tried, refused, unlike = 0, 0, []
    for number, (path, value) in enumerate(mutants(document)):
        if number % step:
            continue
        changed = put(document, path, value)
        by_reading, by_schema = taken(kind, changed), validator(kind).is_valid(changed)
        tried, refused = tried + 1, refused + (not by_reading)
        if by_reading != by_schema:
            unlike.append(f"{path}: {value!r}: reading {by_reading}, schema {by_schema}")
    assert unlike == [] and tried > 100 and refused > tried / 2


def mistakes() -> Iterator[tuple[str, str]]:
    for old, new, *_ in cases("planning/test_order.py")["MISTAKES"]:
        yield "order", cases("planning/test_order.py")["GOOD"].replace(old, new, 1)
    kit = cases("kit/test_schema.py")["KIT"]
    for mark in cases("kit/test_schema.py")["test_mistake_is_told_with_file_line_and_key"].pytestmark:
        for old, new, _ in mark.args[1]:
            yield "kit", kit.replace(old, new, 1)


def test_most_mistakes_of_the_tests_fail_and_none_is_a_good_file() -> None:
    """What passes is told by `beyond`: names that there are not, ends the wrong way round, what goes together."""
    verdicts = []
    for kind, text in mistakes():
        try:
            verdicts.append(validator(kind).is_valid(data(text)))
        except InputError:
            continue  # not YAML: an editor says so itself
    assert len(verdicts) > 40 and sum(verdicts) < 0.55 * len(verdicts)


def test_what_a_material_is_like_fills_in_what_it_leaves_out() -> None:
    lines = SMALL_MATERIAL.splitlines()
    assert validator("material").is_valid(data(SMALL_MATERIAL))
    alone = data("\n".join(line for line in lines if not line.startswith("like")))
    assert not validator("material").is_valid(alone)
    without_source = data(SMALL_MATERIAL.replace("source: the bill, ", ""))
    assert not validator("material").is_valid(without_source)


def definitions(schema: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    yield "", schema
    yield from schema["$defs"].items()


@pytest.mark.parametrize("kind", KINDS)
def test_examples_are_valid_where_they_stand(kind: str) -> None:
    schema, seen = schema_of(kind), 0
    for name, one in definitions(schema):
        for key, below in [("", one), *one.get("properties", {}).items()]:
            body = {key: value for key, value in below.items() if key != "$schema"}
            checker = jsonschema.Draft202012Validator({**body, "$defs": schema["$defs"]})
            for example in below.get("examples", ()):
                seen += 1
                assert checker.is_valid(example), (name, key, example)
    assert seen >= 3


@pytest.mark.parametrize("kind", ["kit", "order", "treatment"])
def test_every_key_tells_what_it_is(kind: str) -> None:
    silent = [
        f"{name}.{key}"
        for name, one in definitions(schema_of(kind))
        for key, below in one.get("properties", {}).items()
        if "description" not in below
    ]
    assert silent == [] or (kind == "treatment" and silent == [".treatment"])


def test_descriptions_come_from_the_docstrings_and_name_the_unit() -> None:
    kit = schema_of("kit")["$defs"]
    assert kit["OpenRing"]["properties"]["gap"]["description"] == (
        "The angle that is open, seen from the centre. Unit: degrees."
    )
    assert kit["Speed"]["properties"]["scale"]["description"].endswith("or a percentage such as 105%.")
    assert kit["OpenRing"]["title"] == "Open ring"
    assert "petg" in schema_of("kit")["properties"]["material"]["examples"]
    machine = schema_of("machine")["properties"]
    assert machine["max_accel_mm_s2"]["description"] == "Unit: mm/s2."


def test_printed_and_written_alike(capfdbinary: pytest.CaptureFixture[bytes], tmp_path: Path) -> None:
    out = tmp_path / "kit.schema.json"
    assert status_of(["schema", "kit"]) == 0
    printed = capfdbinary.readouterr().out
    assert json.loads(printed) == schema_of("kit")
    assert status_of(["schema", "kit", "-o", str(out), "--json"]) == 0
    record = json.loads(capfdbinary.readouterr().out)
    assert record["schema"] == "beadwright.schema/1" and record["pattern"] == "*.kit.yaml"
    assert out.read_bytes().replace(b"\r\n", b"\n") == printed.replace(b"\r\n", b"\n")
    assert status_of(["schema", "order", "-o", str(out)]) == 0  # one schema may replace another
    assert json.loads(out.read_bytes())["title"] == "Beadwright order"


@pytest.mark.parametrize("held", [b"beadwright: 1\nkit: x\n", b"{}x", b'{"a": 1}', b"[1]", b"\xff"])
def test_no_other_file_is_buried(held: bytes, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "mine.kit.yaml"
    out.write_bytes(held)
    assert status_of(["schema", "kit", "-o", str(out)]) == 2
    assert "holds no JSON Schema" in capfd.readouterr().err
    assert out.read_bytes() == held


def test_a_kind_that_there_is_not_is_refused(capfd: pytest.CaptureFixture[str]) -> None:
    assert status_of(["schema", "kitt"]) == 2
    assert "'kitt'" in capfd.readouterr().err


def test_a_name_holds_no_line_end_not_even_at_its_end() -> None:
    """Names stand in comment lines of treated files; a line more would be a command to the printer."""
    text = json.dumps(json.loads(json.dumps(data(SMALL_KIT))) | {"kit": "small\nM112"})
    with pytest.raises(InputError):
        fields.read(yaml.load(text.encode(), "t"), KINDS["kit"].struct, "t")
    with pytest.raises(InputError):
        fields.read(yaml.load(text.replace("\\nM112", "\\n").encode(), "t"), KINDS["kit"].struct, "t")
