"""JSON Schema (draft 2020-12) of the structs that `fields` reads, for editors.

What an editor shows comes from where it stands already: a struct's title from its name, its description from the
first paragraph of its docstring, that of a key from `key : what it is` in the docstring and from the unit, examples
from `example`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, cast

from msgspec import inspect

from gcodetools.documents import yaml
from gcodetools.documents.described import describe, fields_of
from gcodetools.documents.kinds import is_tagged, members

__all__ = ["DIALECT", "json_schema"]

DIALECT = "https://json-schema.org/draft/2020-12/schema"

_PERCENT = r"^[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)\s*%$"
# Digits before the point of what is below a bound, by the bound as a fraction, which itself is written out.
_BELOW = {0.9: ("90", "[0-8]?[0-9]"), 1: ("100", "[0-9]{1,2}"), 10: ("1000", "[0-9]{1,3}")}
_NOTHING = r"-(0+(\.0*)?|\.0+)"
_ABOUT_UNIT = {
    "%": "A percentage with its sign, such as 40%.",
    "ratio": "A factor such as 1.05, or a percentage such as 105%.",
}
# Keys that mean the same wherever they stand.
_COMMON = {
    "beadwright": "Version of the language that the file is written in.",
    "about": "What it is, in a sentence.",
    "source": "Where the number comes from, or that it has no source.",
    "flag": "How far the number may be trusted.",
    "infill": "Solid lines in what room the perimeters leave.",
    "known": "What was measured of it.",
    "low": "The least.",
    "high": "The most.",
    "not_known": "What was not.",
    "poisson": "Poisson's ratio.",
    "friction": "Coefficient of friction of the plastic on its counterpart.",
    "material": "Name of a material profile, or a path to one.",
    "machine": "Name of a machine profile, or a path to one.",
}
# Structs that say only how a number is written, not what it is.
_PLAIN = {"Quantity", "PercentQuantity", "Range", "PercentRange", "Axes"}
# Units that the keys of profiles end in, longest first.
_UNIT_OF_ENDING = {
    "_per_kwh": "money a kWh",
    "_per_kg": "money a kg",
    "_g_cm3": "g/cm3",
    "_mm3_s": "mm3/s",
    "_mm_s2": "mm/s2",
    "_w_m2k": "W/(m2 K)",
    "_j_kgk": "J/(kg K)",
    "_w_mk": "W/(m K)",
    "_mm_s": "mm/s",
    "_c_s": "C/s",
    "_mpa": "MPa",
    "_years": "years",
    "_cycles": "cycles",
    "_mm": "mm",
    "_c": "C",
    "_g": "g",
    "_s": "s",
    "_w": "W",
}


def json_schema(
    kind: Any,
    title: str,
    *,
    filled_by: str = "",
    own: Sequence[str] = (),
    known: Mapping[tuple[str, str], Sequence[Any]] | None = None,
) -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of what `read` takes, apart from `flaws()`; percentages are strings.

    Parameters
    ----------
    kind : a struct.
    title : what an editor calls such a file.
    filled_by : a key of `kind` that names a file which fills in what this one leaves out: with it only the keys of
        `own` must stand, and what has a `source`, which is filled in whole or not at all.
    own : keys that must stand whatever `filled_by` names.
    known : examples by (name of the struct, key).
    """
    walk = _Schema(known or {}, bool(filled_by))
    info = cast(inspect.StructType, describe(kind))
    root = walk.body(info)
    schema = {"$schema": DIALECT, "title": title, **{key: root[key] for key in root if key != "title"}}
    if filled_by:
        schema["required"] = list(own)
        schema["if"] = {"required": [filled_by]}
        schema["else"] = {"$ref": "#/$defs/Whole"}
        walk.definitions["Whole"] = {
            "description": "What must stand in a file that stands alone.",
            **_needs(info),
        }
    return {**schema, "$defs": walk.definitions}


class _Schema:
    """Walks a type; definitions of the structs met are gathered in `definitions`."""

    def __init__(self, known: Mapping[tuple[str, str], Sequence[Any]], lenient: bool) -> None:
        self.definitions: dict[str, Any] = {}
        self.known = known
        self.lenient = lenient
        self.classes: dict[str, type] = {}

    def of(self, info: inspect.Type, extra: Mapping[str, Any]) -> dict[str, Any]:
        if isinstance(info, inspect.Metadata):
            return self.of(info.type, {**extra, **(info.extra or {})})
        if isinstance(info, inspect.UnionType):
            return self.union(info)
        if isinstance(info, inspect.StructType):
            return self.struct(info)
        if isinstance(info, inspect.DictType):
            keys = self.of(info.key_type, {})
            values = self.of(info.value_type, {})
            bound = {"minProperties": info.min_length or 0}
            return {"type": "object", "propertyNames": keys, "additionalProperties": values, **bound}
        if isinstance(info, inspect.TupleType):
            items = [self.of(kind, {}) for kind in info.item_types]
            return {"type": "array", "prefixItems": items, "minItems": len(items), "maxItems": len(items)}
        if isinstance(info, inspect.VarTupleType):
            bounds = {"minItems": info.min_length or 0}
            if info.max_length is not None:
                bounds["maxItems"] = info.max_length
            return {"type": "array", "items": self.of(info.item_type, {}), **bounds}
        return _scalar_schema(info, extra)

    def union(self, info: inspect.UnionType) -> dict[str, Any]:
        """What is told apart by the one key of a mapping is one object, so that editors offer its keys."""
        choices = [self.of(member, {}) for member in info.types if not is_tagged(member)]
        bodies: dict[str, Any] = {}
        for member in info.types:
            if not is_tagged(member):
                continue
            struct = cast(inspect.StructType, member)
            tag = str(struct.tag)
            if getattr(struct.cls, "word", False):
                choices.append({"const": tag, "description": _about(struct)})
            else:
                bodies[tag] = self.struct(struct)
        if bodies:
            one = {"minProperties": 1, "maxProperties": 1, "additionalProperties": False}
            choices.append({"type": "object", "properties": bodies, **one})
        return choices[0] if len(choices) == 1 else {"anyOf": choices}

    def struct(self, info: inspect.StructType) -> dict[str, Any]:
        name = info.cls.__name__
        if self.classes.setdefault(name, info.cls) is not info.cls:
            name = f"{info.cls.__module__.rpartition('.')[2]}.{name}"
        if name not in self.definitions:
            self.definitions[name] = {}  # stands before its parts are walked: solids hold solids
            self.definitions[name] = self.body(info)
        return {"$ref": f"#/$defs/{name}"}

    def body(self, info: inspect.StructType) -> dict[str, Any]:
        head = {"title": _title(info.cls.__name__), "description": _about(info)}
        bare = getattr(info.cls, "bare", None)
        if bare:
            field = next(field for field in fields_of(info) if field.name == bare)
            inner = self.of(field.type, {})
            unit = _unit_sentence(field)
            return {**inner, **head, "description": " ".join(filter(None, (head["description"], unit)))}
        needed = [field.encode_name for field in fields_of(info) if field.required]
        if self.lenient and not _stands_whole(info):
            needed = []
        body: dict[str, Any] = {
            **head,
            "type": "object",
            "properties": dict(self.properties(info)),
            "required": needed,
            "additionalProperties": False,
        }
        choice = getattr(info.cls, "one_of", ())
        if choice:
            body["oneOf"] = [{"required": [key]} for key in choice]
        examples = _examples(info)
        return {**body, "examples": examples} if examples else body

    def properties(self, info: inspect.StructType) -> Iterator[tuple[str, dict[str, Any]]]:
        told = _told(info)
        for field in fields_of(info):
            key = field.encode_name
            schema = self.of(field.type, {})
            about = _of_key(info, field, told)
            if about:
                schema = {**schema, "description": about}
            examples = self.known.get((info.cls.__name__, key))
            if examples:
                schema = {**schema, "examples": list(examples)}
            yield key, schema


def _stands_whole(info: inspect.StructType) -> bool:
    """Whether it is taken from another file whole or not at all: a number goes with its source."""
    return any(field.encode_name == "source" for field in fields_of(info))


def _needs(info: inspect.StructType) -> dict[str, Any]:
    """The keys that must stand, down to what stands whole."""
    schema: dict[str, Any] = {"required": [field.encode_name for field in fields_of(info) if field.required]}
    below = {}
    for field in fields_of(info):
        for member in members(field.type):
            if isinstance(member, inspect.StructType) and not is_tagged(member) and not _stands_whole(member):
                below[field.encode_name] = _needs(member)
    return {**schema, "properties": below} if below else schema


def _title(name: str) -> str:
    return re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name).capitalize()


def _paragraphs(info: inspect.StructType) -> list[str]:
    text = re.sub(r" \(see `[^`]+`\)", "", info.cls.__doc__ or "")
    return [" ".join(part.split()) for part in text.split("\n\n")]


def _marks(info: inspect.StructType, text: str) -> list[tuple[int, int, list[str]]]:
    """Where `key : ` or `key, key : ` begins a sentence: (start, end, the keys as they are written in a file)."""
    by_name = {
        name: field.encode_name for field in fields_of(info) for name in (field.name, field.encode_name)
    }
    found = []
    for match in re.finditer(r"(?:^|(?<=[.;:] ))([a-z_0-9]+(?:, [a-z_0-9]+)*) : ", text):
        names = match[1].split(", ")
        if all(name in by_name for name in names):
            found.append((match.start(), match.end(), [by_name[name] for name in names]))
    return found


def _about(info: inspect.StructType) -> str:
    """The first paragraph of the docstring, up to where it tells of keys."""
    text = _paragraphs(info)[0]
    marks = _marks(info, text)
    return text[: marks[0][0]].strip() if marks else text


def _told(info: inspect.StructType) -> dict[str, str]:
    """What the docstring says of keys, by key."""
    told = {}
    for text in _paragraphs(info):
        marks = _marks(info, text)
        ends = [*(start for start, _, _ in marks), len(text)][1:] if marks else []
        for (_, begin, keys), end in zip(marks, ends, strict=True):
            sentence = text[begin:end].strip().rstrip(";")
            sentence = sentence[:1].upper() + sentence[1:]
            told.update(dict.fromkeys(keys, sentence if sentence.endswith(".") else f"{sentence}."))
    return told


def _of_key(info: inspect.StructType, field: inspect.Field, told: Mapping[str, str]) -> str:
    """What an editor says of a key: the docstring's words, or those of its value's struct, and the unit."""
    key = field.encode_name
    about = told.get(key, "")
    if not about and f"`{key}`" in _about(info):
        about = _about(info)
    structs = [
        one for one in members(field.type) if isinstance(one, inspect.StructType) and not is_tagged(one)
    ]
    if not about and len(structs) == 1 and structs[0].cls.__name__ not in _PLAIN:
        about = _about(structs[0])
    return " ".join(filter(None, (about, _unit_sentence(field)))) or _COMMON.get(key, "")


def _unit_sentence(field: inspect.Field) -> str:
    """The unit of a key's value, or what it is in words."""
    extra = _extra(field.type)
    unit = str(extra.get("unit", ""))
    if unit:
        return _ABOUT_UNIT.get(unit, f"Unit: {unit}.")
    if "words" in extra and not extra.get("pattern"):
        words = str(extra["words"])
        return f"{words[:1].upper()}{words[1:]}."
    for ending, named in _UNIT_OF_ENDING.items():
        if field.encode_name.endswith(ending):
            return f"Unit: {named}."
    return ""


def _extra(info: inspect.Type) -> dict[str, Any]:
    """What is noted of the scalars that a value is made of, where it is the same of all."""
    if isinstance(info, inspect.Metadata):
        return {**_extra(info.type), **(info.extra or {})}
    if isinstance(info, inspect.UnionType):
        kinds = [member for member in info.types if not isinstance(member, inspect.NoneType)]
        return _extra(kinds[0]) if len(kinds) == 1 else {}
    if isinstance(info, inspect.TupleType):
        found = [_extra(item) for item in info.item_types]
        return found[0] if all(one == found[0] for one in found) else {}
    return _extra(info.item_type) if isinstance(info, inspect.VarTupleType) else {}


def _examples(info: inspect.StructType) -> list[Any]:
    """Examples of a struct, as data; those that leave out a part (`...`) are no whole ones."""
    texts = str(getattr(info.cls, "example", "")).split(" or ")
    return [yaml.plain(yaml.load(text.encode())) for text in texts if text and "..." not in text]


def _scalar_schema(info: inspect.Type, extra: Mapping[str, Any]) -> dict[str, Any]:
    if isinstance(info, inspect.NoneType):
        return {"type": "null"}
    if isinstance(info, inspect.BoolType):
        return {"type": "boolean"}
    if isinstance(info, inspect.LiteralType):
        return {"enum": list(info.values)}
    if isinstance(info, inspect.StrType):
        keys = {"minLength": info.min_length, "maxLength": info.max_length, "pattern": extra.get("pattern")}
        return {"type": "string", **{key: value for key, value in keys.items() if value is not None}}
    if not isinstance(info, (inspect.IntType, inspect.FloatType)):
        raise TypeError(f"no rule for {info}")
    number: dict[str, Any] = {"type": "integer" if isinstance(info, inspect.IntType) else "number"}
    bounds = {"exclusiveMinimum": "gt", "minimum": "ge", "exclusiveMaximum": "lt", "maximum": "le"}
    for key, attribute in bounds.items():
        if getattr(info, attribute) is not None:
            number[key] = getattr(info, attribute)
    unit = str(extra.get("unit", ""))
    if unit not in ("%", "ratio"):
        return number
    percent = {"type": "string", "pattern": _percent_pattern(info), "examples": ["40%"]}
    return {"anyOf": [percent, {"const": 0} if unit == "%" else number]}


def _percent_pattern(info: Any) -> str:
    """A regular expression (ECMA-262) of percentages within bounds; of any, where `_BELOW` lacks the bound."""
    if info.le not in _BELOW:
        return _PERCENT
    bound, digits = _BELOW[info.le]
    number = rf"0*({bound}(\.0*)?|{digits}(\.[0-9]*)?|\.[0-9]+)"
    if info.gt == 0:
        return rf"^\+?(?=[0.]*[1-9]){number}\s*%$"
    if info.ge == 0:
        return rf"^(\+?{number}|{_NOTHING})\s*%$"
    return rf"^[-+]?{number}\s*%$" if info.ge == -info.le else _PERCENT
