"""From a YAML tree to frozen msgspec structs, every mistake with its line, key path and nearest valid key.

The structs (msgspec, see `described`) are the only declaration of what a file may hold; `read` here and
`schemas.json_schema` both walk them. msgspec's own conversion is not used, for three reasons: it
stops at the first mistake, while a person mends all of them in one go; its error paths replace every free
key by `[...]`, so that `parts[...].regions[...]` leads to no line; and it knows neither values like `40%` nor
unions that are told apart by the one key of a mapping (`wedge: {...}`).

What a struct may say beyond its fields:

- `Meta(extra={"pattern": ...})`: a regular expression that text must match.
- `Meta(extra={"unit": ...})`: "%" reads `40%` as 0.4 and refuses a bare 40 (0 is plain enough); "ratio"
  reads `105%` or `1.05`; any other unit is only named in messages.
  `extra={"words": ...}` names a scalar in messages.
- tagged structs joined in a union are told apart by the one key of a mapping, whose value is the body; the
  tag field's name is the noun in messages. With a class attribute `bare` the body is that field's value. With
  `word` the tag alone, as text, is the struct.
- `one_of` (class attribute): of these keys exactly one stands.
- `example` (class attribute): shown when something else was found.
- `flaws()`: yields a `Flaw` for each mistake that types can't express.
- `given(old, value)` (static): what the struct becomes when `override` sets a bare value in its place.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from collections.abc import Mapping as MappingOf
from typing import Any, NamedTuple, TypeVar, cast

import msgspec
from msgspec import inspect

from gcodetools.documents.described import describe, fields_of
from gcodetools.documents.kinds import (
    BAD,
    expected,
    fits,
    found,
    is_tagged,
    members,
    nearest,
    scalar,
    shown,
)
from gcodetools.documents.yaml import Items, Mapping, Node, Scalar, load
from gcodetools.errors import InputError, UsageError

__all__ = ["Flaw", "Path", "Problems", "convert", "locate", "override", "path_text", "read"]

T = TypeVar("T")
Path = tuple[str | int, ...]

_SHOWN = 20  # mistakes listed; the rest is counted


class Flaw(NamedTuple):
    """A mistake inside a struct: its path from there (keys, 0-based indices), what was found and expected."""

    path: Path
    found: str
    expected: str


class Problems:
    """Mistakes found in one document, each with its line; raised together.

    Parameters
    ----------
    name : what messages call the document.
    root : the document, in which paths are looked up for their lines.
    """

    def __init__(self, name: str, root: Node) -> None:
        self.name = name
        self.root = root
        self.rows: list[tuple[int, str, str]] = []

    def __len__(self) -> int:
        return len(self.rows)

    def add(self, path: Path, what: str, instead: str, hint: str = "") -> None:
        """Note a mistake: `what` was found at `path`, `instead` was expected.

        `hint` says what to do; it is shown when this is the only mistake.
        """
        self.say(path, f"found {what}, expected {instead}", hint)

    def say(self, path: Path, message: str, hint: str = "") -> None:
        """Note a mistake in words of its own."""
        line = locate(self.root, path)
        where = f"{path_text(path)}: " if path else ""
        self.rows.append((line, f"{self.name}:{line}: {where}{message}", hint))

    def raise_if_any(self) -> None:
        """Raise all mistakes as one error, in the order of their lines.

        Raises
        ------
        InputError : if there is any mistake.
        """
        if not self.rows:
            return
        rows = sorted(self.rows, key=lambda row: row[0])
        lines = [text for _, text, _ in rows[:_SHOWN]]
        if len(rows) > _SHOWN:
            lines.append(f"{self.name}: and {len(rows) - _SHOWN} more")
        hint = rows[0][2] if len(rows) == 1 else ""
        raise InputError("\n".join(lines), hint or "Correct the file at the lines named.")


def read(node: Node, kind: type[T], name: str) -> T:
    """Convert a whole document to a struct.

    Raises
    ------
    InputError : with every mistake on a line of its own.
    """
    problems = Problems(name, node)
    value = convert(node, kind, problems)
    problems.raise_if_any()
    return cast(T, value)


def convert(node: Node, kind: Any, problems: Problems, path: Path = ()) -> Any:
    """Convert the node at `path`; mistakes go to `problems`, and then the result is of no use."""
    return _Walk(problems).value(node, describe(kind), path)


def locate(node: Node, path: Path) -> int:
    """The line of the key or item at `path` below `node`; of the deepest part of it that exists."""
    line = node.line
    for key in path:
        if isinstance(node, Mapping) and key in node.entries:
            entry = node.entries[key]
            line, node = entry.line, entry.value
        elif isinstance(node, Items) and isinstance(key, int) and key < len(node.items):
            node = node.items[key]
            line = node.line
        else:
            break
    return line


def path_text(path: Path) -> str:
    """`("parts", "clip", "label", 0)` as `parts.clip.label[1]`; items count from 1."""
    text = ""
    for key in path:
        text += f"[{key + 1}]" if isinstance(key, int) else f".{shown(key)}" if text else shown(key)
    return text


class _Walk:
    """Converts nodes by the description of a type, collecting mistakes."""

    def __init__(self, problems: Problems) -> None:
        self.problems = problems

    def value(self, node: Node, info: inspect.Type, path: Path, extra: dict[str, Any] | None = None) -> Any:
        if isinstance(info, inspect.Metadata):
            return self.value(node, info.type, path, {**(extra or {}), **(info.extra or {})})
        if isinstance(info, inspect.UnionType):
            return self.union(node, info, path)
        if isinstance(info, inspect.StructType):
            return self.struct(node, info, path)
        if isinstance(info, inspect.DictType):
            return self.free_keys(node, info, path)
        if isinstance(info, (inspect.VarTupleType, inspect.TupleType)):
            return self.items(node, info, path)
        value = scalar(node, info, extra or {})
        return self.wrong(node, info, path, extra) if value is BAD else value

    def wrong(self, node: Node, info: inspect.Type, path: Path, extra: dict[str, Any] | None = None) -> Any:
        self.problems.add(path, found(node), expected(info, extra, node))
        return BAD

    def items(self, node: Node, info: Any, path: Path) -> Any:
        if not isinstance(node, Items):
            return self.wrong(node, info, path)
        count = len(node.items)
        if isinstance(info, inspect.TupleType):
            kinds = info.item_types
            good = count == len(kinds)
        else:
            kinds = (info.item_type,) * count
            good = (info.min_length or 0) <= count <= (info.max_length or count)
        if not good:
            return self.wrong(node, info, path)
        pairs = enumerate(zip(node.items, kinds, strict=True))
        values = tuple(self.value(item, kind, (*path, index)) for index, (item, kind) in pairs)
        return BAD if any(value is BAD for value in values) else values

    def free_keys(self, node: Node, info: inspect.DictType, path: Path) -> Any:
        if not isinstance(node, Mapping) or len(node.entries) < (info.min_length or 0):
            return self.wrong(node, info, path)
        result: dict[Any, Any] = {}
        for key, entry in node.entries.items():
            here = (*path, key)
            word = self.value(Scalar(entry.line, entry.column, key, key), info.key_type, here)
            value = self.value(entry.value, info.value_type, here)
            result[key] = BAD if word is BAD else value
        return BAD if any(value is BAD for value in result.values()) else result

    def union(self, node: Node, info: inspect.UnionType, path: Path) -> Any:
        fitting = [member for member in info.types if not is_tagged(member) and fits(node, member)]
        tagged = [member for member in info.types if is_tagged(member)]
        if tagged and not fitting and not isinstance(node, Items):
            return self.tagged(node, cast("list[inspect.StructType]", tagged), path)
        if len(fitting) == 1:
            return self.value(node, fitting[0], path)
        for member in fitting:  # scalars of several kinds: the first that takes it
            trial = _Walk(Problems(self.problems.name, node))
            value = trial.value(node, member, ())
            if not len(trial.problems):
                return value
        return self.wrong(node, info, path)

    def tagged(self, node: Scalar | Mapping, choices: list[inspect.StructType], path: Path) -> Any:
        """The struct whose tag is the mapping's one key, or the bare word."""
        by_tag = {str(choice.tag): choice for choice in choices}
        noun = choices[0].tag_field
        if isinstance(node, Mapping) and len(node.entries) != 1:
            keys = ", ".join(map(shown, list(node.entries)[:6])) or "none"
            self.problems.add(path, f"{len(node.entries)} keys ({keys})", f"one {noun} in each mapping")
            return BAD
        key = next(iter(node.entries)) if isinstance(node, Mapping) else node.text
        choice = by_tag.get(key)
        if choice is None or getattr(choice.cls, "word", False) == isinstance(node, Mapping):
            close = nearest(key, by_tag)
            instead = f"a {noun}: {', '.join(by_tag)}" + (f"; nearest: {close}" if close else "")
            if choice is not None:
                word = isinstance(node, Mapping)
                instead = f"the bare word {key}" if word else f"{expected(choice)} under {key}"
            self.problems.add(path, found(node) if isinstance(node, Scalar) else repr(shown(key)), instead)
            return BAD
        if isinstance(node, Scalar):
            return choice.cls()
        return self.struct(node.entries[key].value, choice, (*path, key))

    def struct(self, node: Node, info: inspect.StructType, path: Path) -> Any:
        bare = getattr(info.cls, "bare", None)
        if bare:
            field = next(field for field in fields_of(info) if field.name == bare)
            values = {bare: self.value(node, field.type, path)}
        elif isinstance(node, Mapping):
            values = self.fields(node, info, path)
        else:
            return self.wrong(node, info, path)
        if any(value is BAD for value in values.values()):
            return BAD
        made = info.cls(**values)
        for flaw in _flaws(made):
            self.problems.add(path + flaw.path, flaw.found, flaw.expected)
        return made

    def fields(self, node: Mapping, info: inspect.StructType, path: Path) -> dict[str, Any]:
        known = {field.encode_name: field for field in fields_of(info)}
        values: dict[str, Any] = {}
        for key, entry in node.entries.items():
            field = known.get(key)
            if field is None:
                values[key] = self.unknown(key, known, path)
            else:
                values[field.name] = self.value(entry.value, field.type, (*path, key))
        # A required key that is only misspelt is told once.
        misspelt = {nearest(key, known) for key in node.entries if key not in known}
        for key, field in known.items():
            if field.required and key not in node.entries and key not in misspelt:
                self.problems.add(path, f"no key {key!r}", expected(field.type))
                values[field.name] = BAD
        one_of = getattr(info.cls, "one_of", ())
        present = [key for key in one_of if key in node.entries]
        if one_of and len(present) != 1:
            what = " and ".join(present) if present else f"none of {', '.join(one_of)}"
            self.problems.add(path, what, f"exactly one of {', '.join(one_of)}")
            values[""] = BAD
        return values

    def unknown(self, key: str, known: Iterable[str], path: Path) -> Any:
        known = list(known)
        close = nearest(key, known)
        instead = f"{close!r} (nearest valid key)" if close else f"one of {', '.join(known)}"
        self.problems.add(
            (*path, key), f"unknown key {shown(key)!r}", instead, f"Known here: {', '.join(known)}."
        )
        return BAD


def _flaws(value: object) -> Iterable[Flaw]:
    return value.flaws() if hasattr(value, "flaws") else ()


def override(value: T, settings: MappingOf[str, str], name: str = "--set") -> T:
    """A copy of a struct, or of a dict that leads to structs, with dotted keys set from text.

    Parameters
    ----------
    value : e.g. a `Material`, or {"material": Material, "machine": Machine}.
    settings : dotted key to text, such as {"price_per_kg": "22"}; the text is read as YAML. Where the
        struct has a quantity with its source, a bare value may be set; its source is then the command line.
    name : what messages call the settings.

    Raises
    ------
    UsageError : an unknown key (with the nearest) or a value of the wrong kind.
    """
    for dotted, text in settings.items():
        value = _replace(value, tuple(dotted.split(".")), text, f"{name} {dotted}={text}")
    return value


def _replace(value: Any, keys: tuple[str, ...], text: str, name: str) -> Any:
    key, rest = keys[0], keys[1:]
    if isinstance(value, dict):
        if key not in value:
            raise _no_key(name, key, value)
        if not rest:
            raise UsageError(f"{name}: {key!r} is no single value", f"Name a key in it: {key}.KEY=VALUE.")
        return {**value, key: _replace(value[key], rest, text, name)}
    fields = {
        field.encode_name: field for field in fields_of(cast(inspect.StructType, describe(type(value))))
    }
    if key not in fields:
        raise _no_key(name, key, fields)
    field = fields[key]
    old = getattr(value, field.name)
    if rest and not isinstance(old, msgspec.Struct):
        raise UsageError(f"{name}: nothing stands below {key!r}", "Shorten the dotted key.")
    new = _replace(old, rest, text, name) if rest else _from_text(old, field.type, text, name)
    made = msgspec.structs.replace(value, **{field.name: new})
    for flaw in _flaws(made):
        raise UsageError(f"{name}: found {flaw.found}, expected {flaw.expected}", "Choose another value.")
    return made


def _no_key(name: str, key: str, known: Iterable[str]) -> UsageError:
    close = nearest(key, known)
    nearby = f", nearest {close!r}" if close else ""
    return UsageError(f"{name}: no key {key!r}{nearby}", f"Known here: {', '.join(known)}.")


def _from_text(old: Any, info: inspect.Type, text: str, name: str) -> Any:
    try:
        node = load(text.encode("utf-8", "replace"), name)
        problems = Problems(name, node)
        given, kind = _given(info)
        bare = given is not None and not isinstance(node, Mapping)
        value = _Walk(problems).value(node, kind if bare else info, ())
        problems.raise_if_any()
    except InputError as error:
        cause = error.cause.splitlines()[0].replace(f"{name}:1: ", f"{name}: ")
        raise UsageError(cause, "Write KEY=VALUE with a value of that kind.") from None
    return given(old, value) if bare and given else value


def _given(info: inspect.Type) -> tuple[Callable[[Any, Any], Any] | None, inspect.Type]:
    """How a bare value becomes the struct of a field, and the kind of the bare value."""
    for member in members(info):
        if isinstance(member, inspect.StructType) and hasattr(member.cls, "given"):
            kind = next(field.type for field in fields_of(member) if field.name == "value")
            return cast("Callable[[Any, Any], Any]", member.cls.given), kind
    return None, info
