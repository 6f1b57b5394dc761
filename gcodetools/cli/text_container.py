"""What a sliced file is packed in, as people read it."""

from __future__ import annotations

from typing import Any

from gcodetools.jobs.records import counted

__all__ = ["container_facts", "packed_facts"]

_KINDS = {"binary": "binary container", "package": "package (3MF)", "gz": "compressed text (gz)"}


def container_facts(record: dict[str, Any]) -> list[tuple[str, str]]:
    """Kind, plate and pictures; what is odd is a warning, and not told again."""
    found = record.get("container")
    if found is None:
        return []
    told = [_KINDS[found["kind"]], found["inside"]]
    told += [counted(found["thumbnails"], "picture")] if found["thumbnails"] else []
    facts = [("packed in", ", ".join(filter(None, [*told, f"{found['bytes'] / 1e6:.1f} MB"])))]
    if len(found["plates"]) > 1:
        names = (
            f"{one['number']} ({one['name']})" if "name" in one else f"{one['number']}"
            for one in found["plates"]
        )
        facts.append(("plate", f"{found['plate']}; there are {', '.join(names)}"))
    return facts


def packed_facts(record: dict[str, Any]) -> list[tuple[str, str]]:
    """What the treated text stands in."""
    found = record.get("container")
    if found is None:
        return []
    what = _KINDS[found["kind"]]
    if found["kind"] == "package":
        what += f", plate {found['plate']}"
    if found["unpacked"]:
        return [("unpacked", "; ".join([f"plain text, as the {what} held it", *found["notes"]]))]
    return [("packed in", "; ".join([f"{what}; all else in it as it was", *found["notes"]]))]
