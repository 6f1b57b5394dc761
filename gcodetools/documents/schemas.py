"""JSON Schema (draft 2020-12) of the structs that `fields` reads, for editors."""

from __future__ import annotations

from typing import Any, cast

from msgspec import inspect

from gcodetools.documents.kinds import describe, is_tagged

__all__ = ["json_schema"]


def json_schema(kind: Any, title: str) -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of what `read` takes, apart from `flaws()`; percentages are strings."""
    definitions: dict[str, Any] = {}
    root = _Schema(definitions).of(describe(kind), {})
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": title,
        **root,
        "$defs": definitions,
    }


class _Schema:
    def __init__(self, definitions: dict[str, Any]) -> None:
        self.definitions = definitions

    def of(self, info: inspect.Type, extra: dict[str, Any]) -> dict[str, Any]:
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
            return {"type": "array", "items": self.of(info.item_type, {}), "minItems": info.min_length or 0}
        return _scalar_schema(info, extra)

    def union(self, info: inspect.UnionType) -> dict[str, Any]:
        choices: list[dict[str, Any]] = []
        for member in info.types:
            if not is_tagged(member):
                choices.append(self.of(member, {}))
                continue
            struct = cast(inspect.StructType, member)
            if getattr(struct.cls, "word", False):
                choices.append({"const": struct.tag})
                continue
            tag = str(struct.tag)
            body = {tag: self.struct(struct)}
            choices.append(
                {"type": "object", "properties": body, "required": [tag], "additionalProperties": False}
            )
        return {"anyOf": choices}

    def struct(self, info: inspect.StructType) -> dict[str, Any]:
        name = info.cls.__name__
        if name not in self.definitions:
            self.definitions[name] = {}  # stands before its parts are walked: solids hold solids
            self.definitions[name] = self.body(info)
        return {"$ref": f"#/$defs/{name}"}

    def body(self, info: inspect.StructType) -> dict[str, Any]:
        about = (info.cls.__doc__ or "").split("\n\n")[0].replace("\n", " ").strip()
        bare = getattr(info.cls, "bare", None)
        if bare:
            field = next(field for field in info.fields if field.name == bare)
            return {"description": about, **self.of(field.type, {})}
        body: dict[str, Any] = {
            "description": about,
            "type": "object",
            "properties": {field.encode_name: self.of(field.type, {}) for field in info.fields},
            "required": [field.encode_name for field in info.fields if field.required],
            "additionalProperties": False,
        }
        choice = getattr(info.cls, "one_of", ())
        if choice:
            body["oneOf"] = [{"required": [key]} for key in choice]
        return body


def _scalar_schema(info: inspect.Type, extra: dict[str, Any]) -> dict[str, Any]:
    unit = str(extra.get("unit", ""))
    if isinstance(info, inspect.NoneType):
        return {"type": "null"}
    if isinstance(info, inspect.BoolType):
        return {"type": "boolean"}
    if isinstance(info, inspect.LiteralType):
        return {"enum": list(info.values)}
    if isinstance(info, inspect.StrType):
        keys = {"minLength": info.min_length, "maxLength": info.max_length, "pattern": extra.get("pattern")}
        return {"type": "string", **{key: value for key, value in keys.items() if value is not None}}
    number: dict[str, Any] = {"type": "integer" if isinstance(info, inspect.IntType) else "number"}
    bounds = {"exclusiveMinimum": "gt", "minimum": "ge", "exclusiveMaximum": "lt", "maximum": "le"}
    for key, attribute in bounds.items():
        if getattr(info, attribute) is not None:
            number[key] = getattr(info, attribute)
    percent = {"type": "string", "pattern": r"^[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)\s*%$"}
    if unit == "%":
        return {"anyOf": [percent, {"const": 0}]}
    if unit == "ratio":
        return {"anyOf": [percent, number]}
    if unit:
        number["description"] = unit
    return number
