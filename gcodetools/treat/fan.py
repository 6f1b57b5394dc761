"""`fan`: less (or more) part cooling for the beads of a region; when it is told is in `schedule`."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.commands import file_fan
from gcodetools.edit.draft import Draft
from gcodetools.edit.sparse import sparse
from gcodetools.gcode.arrays import distinct
from gcodetools.kit.settings import Fan
from gcodetools.treat.asks import Ask, ask_of, fast_layers, held_note
from gcodetools.treat.target import BRIDGES, Done, Target

__all__ = ["treat"]

F8 = NDArray[np.float64]
Bool = NDArray[np.bool_]


def treat(draft: Draft, target: Target, setting: Fan) -> list[Done | Ask]:
    """Want another speed of the part fan. Bridge and overhang beads keep theirs unless `bridges` is true; a fan
    that the file keeps at 0 stays at 0; on layers faster than the material's minimum a cut is held back."""
    rows = distinct(target.rows).astype(np.int64)
    own = file_fan(draft, rows)
    value, asked = _wanted(setting, own)
    left_out = fast_layers(draft, target)
    if not np.any(value < own):
        left_out = np.zeros_like(left_out)
    held = held_note(draft, target, left_out)
    # What the file keeps at 0 is a first layer or a material that must not be cooled.
    blown = own > 0.0
    if not np.any(blown):
        return [target.answer("fan", asked, "nothing", held or "the file keeps the fan at 0 there")]
    if not setting.bridges:
        feature = draft.plate.beads.feature[rows]
        blown &= ~((feature == BRIDGES[0]) | (feature == BRIDGES[1]))
    if draft.fan is None:
        draft.fan = sparse(len(draft.plate.program.moves))
    found = ask_of(
        draft,
        target,
        "fan",
        -1,
        rows[blown],
        own[blown],
        draft.fan,
        lambda own: np.where(own > 0.0, _wanted(setting, own)[0], np.nan),
        left_out,
        (asked, held, bool(held)),
    )
    if found is not None:
        return [found]
    if not np.any(blown):
        return [target.answer("fan", asked, "nothing", "bridges and overhangs keep their fan")]
    return [target.answer("fan", asked, "nothing", held or "no layer left", warning=True)]


def _wanted(setting: Fan, own: F8) -> tuple[F8, str]:
    if setting.cap is not None:
        return np.minimum(own, setting.cap), f"at most {setting.cap:.0%}"
    if setting.set is not None:
        return np.full(len(own), setting.set), f"{setting.set:.0%}"
    if setting.scale is not None:
        return np.clip(own * setting.scale, 0.0, 1.0), f"{setting.scale:.0%} of the file's"
    add = float(setting.add or 0.0)
    return np.clip(own + add, 0.0, 1.0), f"{add:+.0%}"
