"""JSON Schema of the files that people write: kits, orders, profiles."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, NamedTuple

from gcodetools._version import __version__
from gcodetools.documents import profiles
from gcodetools.documents.schemas import json_schema
from gcodetools.errors import UsageError
from gcodetools.gcode.files import write_atomic
from gcodetools.kit.schema import KitFile
from gcodetools.kit.settings import TreatmentProfile
from gcodetools.planning.order import OrderFile

__all__ = ["KINDS", "schema_file", "schema_of", "schema_text"]


class _Kind(NamedTuple):
    """A kind of file. pattern : what such files are called. beyond : mistakes that only reading finds."""

    struct: type
    title: str
    pattern: str
    beyond: tuple[str, ...]


_EVERYWHERE = (
    "1.0 where a whole number is wanted, and .inf or .nan where a number is",
    "a key twice, a second document, tags, a file beyond 4 MB",
    "a low end above its high end",
)
_PROFILE = ("a spread that does not lie around its value, a number out of its range",)
_MATERIAL = ("a name or path in `like` where no material is, or one that is like this one in turn",)

KINDS = {
    "kit": _Kind(
        KitFile,
        "Beadwright kit",
        "*.kit.yaml",
        (
            "a part found by neither label nor outline",
            "outlines and polygons whose edges cross",
            "both or neither of z and layers in a slab, a box without a range, a mirror with nothing before it",
            "names of materials, machines and treatments that there are not, and files that are not there",
            "sizes of a load that do not go together",
        ),
    ),
    "order": _Kind(
        OrderFile,
        "Beadwright order",
        "*.order.yaml",
        (
            "a time zone, date, time or hours that can't be read",
            "neither kits nor parts, kits without one_kit",
            "a name twice, and names of plates and spools that there are not",
        ),
    ),
    "material": _Kind(profiles.Material, "Beadwright material", "materials/*.yaml", (*_PROFILE, *_MATERIAL)),
    "machine": _Kind(profiles.Machine, "Beadwright machine", "machines/*.yaml", _PROFILE),
    "treatment": _Kind(
        TreatmentProfile, "Beadwright treatment", "treatments/*.yaml", ("a treatment without a setting",)
    ),
}
# What a material that is like another says itself; the rest may come from there.
_OWN = ("beadwright", "material")


def schema_of(kind: str) -> dict[str, Any]:
    """The JSON Schema of a kind of file, draft 2020-12.

    Raises
    ------
    UsageError : no such kind.
    """
    if kind not in KINDS:
        raise UsageError(f"no schema of '{kind}'", f"There are: {', '.join(KINDS)}.")
    one = KINDS[kind]
    filled_by, own = ("like", _OWN) if kind == "material" else ("", ())
    schema = json_schema(one.struct, one.title, filled_by=filled_by, own=own, known=_names())
    head = {key: schema.pop(key) for key in ("$schema", "title")}
    beyond = "; ".join((*_EVERYWHERE, *one.beyond))
    return {
        **head,
        "$comment": f"Beadwright {__version__}. What only Beadwright itself finds: {beyond}.",
        **schema,
    }


def _names() -> dict[tuple[str, str], list[Any]]:
    """Names that an editor may offer."""
    found = {kind: profiles.names(kind) for kind in ("materials", "machines", "treatments")}
    return {
        ("KitFile", "material"): found["materials"],
        ("KitFile", "machine"): found["machines"],
        ("Region", "treat"): found["treatments"],
        ("Material", "like"): found["materials"],
        ("PrinterEntry", "machine"): found["machines"],
        ("SpoolEntry", "material"): found["materials"],
    }


def schema_text(schema: dict[str, Any]) -> str:
    """The schema as a file holds it."""
    return json.dumps(schema, indent=1) + "\n"


def schema_file(kind: str, out: Path | None) -> dict[str, Any]:
    """Make the schema of a kind of file, and write it to `out` unless that is None.

    Returns
    -------
    dict : the record `beadwright.schema/1`: kind, pattern, beyond, json_schema, and `out` where it was written.

    Raises
    ------
    UsageError : no such kind, or `out` holds something else. CannotWrite : `out`.
    """
    schema = schema_of(kind)
    one = KINDS[kind]
    record: dict[str, Any] = {"schema": "beadwright.schema/1", "kind": kind, "pattern": one.pattern}
    if out is not None:
        _expect_schema(out)
        write_atomic(out, schema_text(schema).encode("utf-8"))
        record["out"] = str(out)
    return {**record, "beyond": [*_EVERYWHERE, *one.beyond], "json_schema": schema}


def _expect_schema(out: Path) -> None:
    """Refuse to bury a file that is no JSON Schema, such as the kit itself.

    Raises
    ------
    UsageError : it is none.
    """
    if not profiles.is_file(out):
        return
    try:
        held = json.loads(out.read_bytes() or b"{}")
    except (ValueError, OSError, RecursionError):
        held = None
    if not isinstance(held, dict) or (held and "$schema" not in held):
        raise UsageError(f"-o {out}: is there already and holds no JSON Schema", "Name another file.")
