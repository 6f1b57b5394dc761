"""Which object of a plate a person means when learning a part: by name, by glob, or the only one."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from gcodetools.errors import InputError
from gcodetools.kit.drawing import plain_text
from gcodetools.kit.placing import Pose, label_matches, place
from gcodetools.kit.schema import FoundBy, Kit, Part, Region
from gcodetools.kit.shapes import All
from gcodetools.marks.objects import normal_label, readable
from gcodetools.toolpath.plate import Plate

__all__ = ["glob_of", "instance_meant"]


def instance_meant(plate: Plate, label: str | None) -> tuple[Pose, list[str]]:
    """The instance to learn from, and warnings. label : of the object, or a glob that means just one; None takes the
    only one, or the largest where the file has no labels.

    Raises
    ------
    InputError : no such label, or several objects that it may mean.
    """
    names = plate.marks.objects.names
    distinct = sorted({normal_label(name) for name in names})
    listed = ", ".join(plain_text(name) for name in distinct) or "none"
    if label is None and len(distinct) > 1:
        raise InputError(
            f"{plate.program.lines.name}: {len(distinct)} objects in it and none named: {listed}",
            "Name one with --object.",
        )
    if label is None:
        label = distinct[0] if distinct else None
    elif not distinct:
        raise InputError(
            f"{plate.program.lines.name}: no object {plain_text(label)!r} in it: the file names no objects",
            "Leave --object out: the largest object is taken.",
        )
    else:
        label = _meant(label, distinct, plate)
    means = FoundBy(label=glob_of(normal_label(label))) if label is not None else FoundBy()
    part = Part(means, {"all": Region(All())})
    poses = place(Kit("learn", (), {"it": part}), plate).poses
    if label is not None and (not poses or normal_label(label) not in distinct):
        raise InputError(
            f"{plate.program.lines.name}: no object {plain_text(label)!r} in it; found: {listed}",
            "Name one of these with --object, or leave it out where there is one.",
        )
    if not poses:
        raise InputError(
            f"{plate.program.lines.name}: no part found in it", "Is it a sliced print with perimeters?"
        )
    if label is None:
        warnings = (
            [] if len(poses) == 1 else [f"no labels in it: the largest of {len(poses)} objects is taken"]
        )
        length = [float(plate.beads.length_mm[pose.rows].sum()) for pose in poses]
        return poses[int(np.argmax(length))], warnings
    alike = [pose for pose in poses if normal_label(pose.label or "") == normal_label(label)]
    named = [pose for pose in poses if pose.label == label] or alike or poses
    return named[0], []


def _meant(label: str, distinct: Sequence[str], plate: Plate) -> str:
    """The label, or the one name that is shown like it or that it means as a glob.

    Raises
    ------
    InputError : a glob that means several.
    """
    if normal_label(label) in distinct:
        return label
    shown = [name for name in distinct if normal_label(plain_text(name)) == normal_label(plain_text(label))]
    if len(shown) == 1:
        return shown[0]
    if not set("*?[") & set(label):
        return label
    hits = [name for name in distinct if label_matches(name, label)]
    if len(hits) > 1:
        raise InputError(
            f"{plate.program.lines.name}: {plain_text(label)!r} means {len(hits)} objects: "
            + ", ".join(plain_text(name) for name in hits),
            "Name one with --object.",
        )
    return hits[0] if hits else label


def glob_of(text: str) -> str:
    """A label as a glob that means just it, but for letters that can't be shown, for which any will do."""
    letters = (f"[{c}]" if c in "*?[" else c if c.isprintable() else "?" for c in readable(text))
    return "".join(letters)
