"""`fan`: less (or more) part cooling over the layers of a region."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.commands import file_fan
from gcodetools.edit.draft import Draft
from gcodetools.kit.settings import Fan
from gcodetools.treat.schedule import fast_layers, held_note, hold_spans, layer_words, record_hold
from gcodetools.treat.target import BRIDGES, Done, Target

__all__ = ["treat"]

F8 = NDArray[np.float64]
Bool = NDArray[np.bool_]


def treat(draft: Draft, target: Target, setting: Fan) -> list[Done]:
    """Hold the part fan at another speed. Bridge and overhang beads keep theirs unless `bridges` is true;
    a fan that the file keeps at 0 stays at 0; on layers faster than the material's minimum a cut is held
    back."""
    own = file_fan(draft)
    wanted, asked = _wanted(setting, own)
    wanted = np.where(own <= 0.0, np.minimum(wanted, own), wanted)
    rows = draft.row[target.pieces]
    cuts = bool(np.any(wanted[rows] < own[rows]))
    left_out = fast_layers(target)
    if not cuts:
        left_out = np.zeros_like(left_out)
    spans = hold_spans(draft, target, left_out)
    held = held_note(draft, target, left_out)
    if not spans:
        return [target.answer("fan", asked, "nothing", held or "no layer left", warning=True)]
    reach = np.zeros(len(own), bool)
    for span in spans:
        reach[span.first : span.last] = True
    if not setting.bridges:
        reach &= ~_bridging(draft)
    column = draft.fan if draft.fan is not None else np.full(len(own), np.nan)
    draft.fan = column
    free = reach & np.isnan(column)
    column[free] = wanted[free]
    record_hold(draft, "fan", spans, target.name)
    changed = free & (np.abs(wanted - own) > 1e-9) & (draft.plate.beads.feature != 0)
    if not np.any(changed):
        why = held or "the file's own fan is there already, or an earlier region holds these layers"
        return [target.answer("fan", asked, "nothing", why)]
    low, high = float(wanted[changed].min()), float(wanted[changed].max())
    at = f"{low:.0%}" if low == high else f"{low:.0%} to {high:.0%}"
    return [target.answer("fan", asked, f"{at} over {layer_words(spans)}", held, warning=bool(held))]


def _wanted(setting: Fan, own: F8) -> tuple[F8, str]:
    if setting.cap is not None:
        return np.minimum(own, setting.cap), f"at most {setting.cap:.0%}"
    if setting.set is not None:
        return np.full(len(own), setting.set), f"{setting.set:.0%}"
    if setting.scale is not None:
        return np.clip(own * setting.scale, 0.0, 1.0), f"{setting.scale:.0%} of the file's"
    add = float(setting.add or 0.0)
    return np.clip(own + add, 0.0, 1.0), f"{add:+.0%}"


def _bridging(draft: Draft) -> Bool:
    """Rows of bridge and overhang beads and the travels to them, so that the fan turns before the bead."""
    feature = draft.plate.beads.feature
    is_bead = feature != 0
    count = len(feature)
    following = np.where(is_bead, np.arange(count), count)
    following = np.minimum.accumulate(following[::-1])[::-1]
    result: Bool = np.isin(np.append(feature, 0)[following], BRIDGES)
    return result
