"""A document that is like another: what it says itself, and the other's words where it says nothing."""

from __future__ import annotations

from dataclasses import replace

from gcodetools.documents.yaml import Entry, Items, Mapping, Node, Scalar

__all__ = ["merged"]


def merged(own: Mapping, base: Mapping, line: int, apart: tuple[str, ...] = ()) -> Mapping:
    """`own` with the keys that only `base` has.

    Mappings are merged key by key. Lists are replaced whole, and so are mappings with a `source`: a number is
    not to pass under a source that never said it.

    Parameters
    ----------
    line : where messages send a reader for what comes from the base; a line of `own`.
    apart : keys that are not taken from the base.
    """
    entries = dict(own.entries)
    for key, entry in base.entries.items():
        if key in apart:
            continue
        mine = own.entries.get(key)
        if mine is None:
            entries[key] = Entry(line, 1, _moved(entry.value, line))
            continue
        ours, theirs = _without_source(mine.value), _without_source(entry.value)
        if ours is not None and theirs is not None:
            entries[key] = replace(mine, value=merged(ours, theirs, line))
    size = 1 + sum(1 + entry.value.size for entry in entries.values())
    return Mapping(own.line, own.column, entries, size)


def _without_source(node: Node) -> Mapping | None:
    return node if isinstance(node, Mapping) and "source" not in node.entries else None


def _moved(node: Node, line: int) -> Node:
    """The same, said to stand on `line`."""
    if isinstance(node, Scalar):
        return replace(node, line=line)
    if isinstance(node, Items):
        return replace(node, line=line, items=tuple(_moved(item, line) for item in node.items))
    moved = {key: Entry(line, entry.column, _moved(entry.value, line)) for key, entry in node.entries.items()}
    return replace(node, line=line, entries=moved)
