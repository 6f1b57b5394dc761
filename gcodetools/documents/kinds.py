"""Kinds of value that a YAML file of ours may hold, and how messages name them.

Kinds are msgspec's type descriptions (`msgspec.inspect`); `fields` says what a struct may add to them.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from typing import Annotated, Any, cast

from msgspec import Meta, inspect

from gcodetools.documents.described import fields_of
from gcodetools.documents.yaml import Items, Mapping, Node, Scalar

__all__ = [
    "BAD",
    "Celsius",
    "Count",
    "Factor",
    "Mm",
    "Name",
    "Percent",
    "PositiveMm",
    "Reference",
    "Share",
    "expected",
    "fits",
    "found",
    "is_tagged",
    "members",
    "nearest",
    "scalar",
    "shown",
]

# Ten metres, far beyond any printer: keeps geometry free of overflow.
Mm = Annotated[float, Meta(ge=-10_000, le=10_000, extra={"unit": "mm"})]
PositiveMm = Annotated[float, Meta(gt=0, le=10_000, extra={"unit": "mm"})]
Count = Annotated[int, Meta(ge=1)]
Celsius = Annotated[float, Meta(ge=-273, le=500, extra={"unit": "C"})]
Percent = Annotated[float, Meta(extra={"unit": "%"})]
Share = Annotated[float, Meta(ge=0, le=1, extra={"unit": "%"})]  # a percentage of a whole
Factor = Annotated[float, Meta(gt=0, le=10, extra={"unit": "ratio"})]
# Not Meta's own `pattern`: beside a list in a union it makes msgspec 0.22 free the pattern twice, and the
# interpreter aborts when it collects garbage.
_ONE_LINE = r"^[^\x00-\x1f\x7f-\x9f\u2028\u2029]+$"
# Names end up in comment lines of treated files, so nothing in them may end a line.
Name = Annotated[
    str,
    Meta(
        min_length=1,
        max_length=80,
        extra={"pattern": _ONE_LINE, "words": "a name of 1 to 80 characters on one line"},
    ),
]
Reference = Annotated[
    str,
    Meta(
        min_length=1,
        max_length=300,
        extra={"pattern": _ONE_LINE, "words": "a name or path of 1 to 300 characters on one line"},
    ),
]

_REMOTE = 10_000
_PERCENT = re.compile(r"([-+]?(?:\.[0-9]+|[0-9]+(?:\.[0-9]*)?))\s*%\Z")
_WITH_UNIT = re.compile(r"[-+]?(?:\.[0-9]+|[0-9]+(?:\.[0-9]*)?)\s*[a-zA-Z%°\"'][a-zA-Z%°/0-9]*\Z")


class Bad:
    """What a value that could not be converted becomes."""


BAD = Bad()


def nearest(word: str, known: Iterable[str]) -> str:
    """The known word most like `word`, or ""."""
    import difflib

    by_lower = {item.lower(): item for item in known}
    close = difflib.get_close_matches(word.lower(), by_lower, n=1, cutoff=0.5)
    return by_lower[close[0]] if close else ""


def shown(text: str) -> str:
    """Text from a file, fit for one line of a message: cut, and escaped where it would steer a terminal."""
    text = text if len(text) <= 60 else text[:57] + "..."
    return text if text.isprintable() else repr(text)


def found(node: Node) -> str:
    """A node in the words of a message."""
    if isinstance(node, Items):
        return f"a list of {len(node.items)}"
    if isinstance(node, Mapping):
        keys = ", ".join(map(shown, list(node.entries)[:4]))
        return f"a mapping ({keys})" if node.entries else "an empty mapping"
    if node.value is None:
        return "nothing"
    if isinstance(node.value, str):
        return repr(node.text if len(node.text) <= 60 else node.text[:57] + "...")
    return shown(node.text)


def scalar(node: Node, info: inspect.Type, extra: dict[str, Any]) -> Any:
    """The value of a scalar node as the kind asks; BAD if it is none of that kind."""
    if not isinstance(node, Scalar):
        return BAD
    value = node.value
    if isinstance(info, inspect.NoneType):
        return None if value is None else BAD
    if isinstance(info, inspect.BoolType):
        return value if isinstance(value, bool) else BAD
    if isinstance(info, inspect.LiteralType):
        return value if any(value == v and type(value) is type(v) for v in info.values) else BAD
    if isinstance(info, inspect.StrType):
        return value if isinstance(value, str) and _text_fits(value, info, extra) else BAD
    if isinstance(info, inspect.IntType):
        good = isinstance(value, int) and not isinstance(value, bool) and _within(value, info)
        return value if good else BAD
    if isinstance(info, inspect.FloatType):
        number = _number(value, str(extra.get("unit", "")))
        return number if number is not None and _within(number, info) else BAD
    raise TypeError(f"no rule for {info}")


def _number(value: object, unit: str) -> float | None:
    if isinstance(value, bool):
        return None
    if isinstance(value, (int, float)):
        plain_enough = unit != "%" or value == 0
        return float(value) if plain_enough and math.isfinite(value) else None
    match = _PERCENT.match(value) if isinstance(value, str) and unit in ("%", "ratio") else None
    # Rounded so that 7 % is 0.07 and no 0.07000000000000001.
    return round(float(match[1]) / 100, 12) if match else None


def _within(value: float, info: Any) -> bool:
    return not (
        (info.gt is not None and value <= info.gt)
        or (info.ge is not None and value < info.ge)
        or (info.lt is not None and value >= info.lt)
        or (info.le is not None and value > info.le)
    )


def _text_fits(value: str, info: inspect.StrType, extra: dict[str, Any]) -> bool:
    # All of it: `$` alone lets one line end pass.
    if "pattern" in extra and not re.fullmatch(extra["pattern"], value):
        return False
    return (info.min_length or 0) <= len(value) <= (info.max_length or len(value))


def members(info: inspect.Type) -> Sequence[inspect.Type]:
    """The kinds of a union; the kind itself otherwise."""
    return info.types if isinstance(info, inspect.UnionType) else (info,)


def is_tagged(info: inspect.Type) -> bool:
    """Whether it is a struct told apart by the one key of a mapping."""
    return isinstance(info, inspect.StructType) and info.tag is not None


def fits(node: Node, info: inspect.Type) -> bool:
    """Whether a member of a union could be meant by a node of this kind."""
    if isinstance(info, inspect.Metadata):
        return fits(node, info.type)
    if is_tagged(info):
        return False
    if isinstance(info, (inspect.StructType, inspect.DictType)):
        return isinstance(node, Mapping)
    if isinstance(info, (inspect.VarTupleType, inspect.TupleType)):
        return isinstance(node, Items)
    if isinstance(node, Scalar) and node.value is None:
        return isinstance(info, inspect.NoneType)
    return isinstance(node, Scalar) and not isinstance(info, inspect.NoneType)


def expected(info: inspect.Type, extra: dict[str, Any] | None = None, node: Node | None = None) -> str:
    """A type in the words of a message; `node`, what stands there instead, may call for a remark."""
    extra = extra or {}
    if isinstance(info, inspect.Metadata):
        return expected(info.type, {**extra, **(info.extra or {})}, node)
    if "words" in extra:
        return str(extra["words"]) + (_quoting(info, node) if extra.get("quote", True) else "")
    if isinstance(info, inspect.UnionType):
        return _union_words(info)
    if isinstance(info, inspect.StructType):
        example = getattr(info.cls, "example", "")
        keys = ", ".join(field.encode_name for field in fields_of(info))
        return f"a mapping such as {example}" if example else f"a mapping of {keys}"
    if isinstance(info, inspect.DictType):
        return "a mapping with at least one entry" if info.min_length else "a mapping"
    if isinstance(info, inspect.TupleType):
        return f"a list of {len(info.item_types)}: each {expected(info.item_types[0])}"
    if isinstance(info, inspect.VarTupleType):
        least = f" of at least {info.min_length}" if info.min_length else ""
        return f"a list{least}: each {expected(info.item_type)}"
    return _scalar_words(info, extra, node)


def _quoting(info: inspect.Type, node: Node | None) -> str:
    """Advice to quote, where text is wanted and a number or a word like `true` stands."""
    odd = isinstance(node, Scalar) and not isinstance(node.value, str) and node.value is not None
    return f': write "{shown(cast(Scalar, node).text)}"' if odd and isinstance(info, inspect.StrType) else ""


def _union_words(info: inspect.UnionType) -> str:
    tagged = [kind for kind in info.types if isinstance(kind, inspect.StructType) and kind.tag is not None]
    others = [kind for kind in info.types if not isinstance(kind, inspect.NoneType) and not is_tagged(kind)]
    words = [expected(kind) for kind in others]
    if tagged:
        words.append(f"a {tagged[0].tag_field}: {', '.join(str(kind.tag) for kind in tagged)}")
    return " or ".join(words)


def _scalar_words(info: inspect.Type, extra: dict[str, Any], node: Node | None) -> str:
    value = node.value if isinstance(node, Scalar) else None
    if isinstance(info, inspect.LiteralType):
        words = [str(v).lower() if isinstance(v, bool) else str(v) for v in info.values]
        close = nearest(value, words) if isinstance(value, str) else ""
        listed = ("one of " if len(words) > 1 else "") + ", ".join(words)
        return f"{listed}; nearest: {close}" if close else listed
    if isinstance(info, inspect.StrType):
        text = "text" + (f" of at most {info.max_length} characters" if info.max_length else "")
        return text + _quoting(info, node)
    if isinstance(info, inspect.BoolType):
        return "true or false"
    unit = str(extra.get("unit", ""))
    if isinstance(info, inspect.IntType):
        return "a whole number" + _bounds(info, "", value)
    return _number_words(info, unit, value)


def _number_words(info: Any, unit: str, value: object) -> str:
    if unit == "%":
        bare = isinstance(value, (int, float)) and not isinstance(value, bool)
        number = float(cast(float, value)) if bare else 0.0
        advice = f": write {number:g}%" if bare and _within(number / 100, info) else ""
        if advice and 0 < number <= 1:
            advice += f", or {100 * number:g}% if that is meant"
        return "a percentage with its sign" + (_bounds(info, "%") or " such as 40%") + advice
    if unit == "ratio":
        bare = isinstance(value, (int, float)) and not isinstance(value, bool) and value > 10
        advice = f": write {value:g}% if percent is meant" if bare else ""
        return "a factor such as 1.05, or a percentage such as 105%" + _bounds(info, "") + advice
    plain_number = isinstance(value, str) and _WITH_UNIT.match(value)
    named = f" in {unit}" if unit else ""
    return f"a number{named}{_bounds(info, '', value)}" + (" without its unit" if plain_number else "")


def _bounds(info: Any, unit: str, value: object = None) -> str:
    """Bounds in words; those that nobody meets are named only to whom they concern."""
    scale = 100 if unit == "%" else 1
    low = info.gt if info.gt is not None else info.ge
    high = info.lt if info.lt is not None else info.le
    concerned = isinstance(value, (int, float)) and abs(value) > _REMOTE
    if not concerned:
        low, high = (None if bound is not None and abs(bound) >= _REMOTE else bound for bound in (low, high))
    if low is not None and high is not None:
        above = "above " if info.gt is not None else ""
        return f" from {above}{low * scale:g}{unit} to {high * scale:g}{unit}"
    if low is not None:
        return f" {'above' if info.gt is not None else 'of at least'} {low * scale:g}{unit}"
    return f" of at most {high * scale:g}{unit}" if high is not None else ""
