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
    rows = draft.row[target.pieces]
    here = file_fan(draft, rows)
    wanted, asked = _wanted(setting, here)
    left_out = fast_layers(target)
    if not np.any(wanted < here):
        left_out = np.zeros_like(left_out)
    held = held_note(draft, target, left_out)
    off = _without_fan(draft, rows, here)
    spans = hold_spans(draft, target, left_out | off)
    if not spans and not held and np.any(off):
        return [target.answer("fan", asked, "nothing", "the file keeps the fan at 0 there")]
    if not spans:
        return [target.answer("fan", asked, "nothing", held or "no layer left", warning=True)]
    if draft.fan is None:
        draft.fan = np.full(len(draft.plate.program.moves), np.nan)
    low, high = np.inf, -np.inf
    for span in spans:
        key = (setting, -1, span.first, span.last)
        if key not in draft.asked:
            draft.asked[key] = ("", *_hold(draft, setting, slice(span.first, span.last)))
        _, least, most = draft.asked[key]
        low, high = min(low, least), max(high, most)
    if low > high:
        why = held or "the file's own fan is there already, or an earlier region holds these layers"
        return [target.answer("fan", asked, "nothing", why)]
    record_hold(draft, "fan", spans, target.name)
    first, last = f"{low:.0%}", f"{high:.0%}"
    at = first if first == last else f"{first} to {last}"
    return [target.answer("fan", asked, f"{at} over {layer_words(spans)}", held, warning=bool(held))]


def _without_fan(draft: Draft, rows: NDArray[np.integer], fan: F8) -> Bool:
    """A flag a plate layer: at all beads `rows` of it the file's fan is at 0, where it stays."""
    layer = draft.plate.beads.layer[rows]
    count = len(draft.plate.layers)
    inside = layer >= 0
    used = np.bincount(layer[inside], minlength=count) > 0
    blown = np.bincount(layer[inside & (fan > 0.0)], minlength=count) > 0
    result: Bool = used & ~blown
    return result


def _hold(draft: Draft, setting: Fan, rows: slice) -> tuple[float, float]:
    """Fill one hold where nobody has asked yet; (lowest, highest) fan of beads that it changes."""
    assert draft.fan is not None
    column = draft.fan[rows]
    own = file_fan(draft, rows)
    wanted, _ = _wanted(setting, own)
    # What the file keeps at 0 is a first layer or a material that must not be cooled.
    free = np.isnan(column) & (own > 0.0)
    if not setting.bridges:
        free &= ~_bridging(draft, rows)
    column[free] = wanted[free]
    changed = (column == wanted) & (np.abs(wanted - own) > 1e-9) & (draft.plate.beads.feature[rows] != 0)
    return float(wanted[changed].min(initial=np.inf)), float(wanted[changed].max(initial=-np.inf))


def _wanted(setting: Fan, own: F8) -> tuple[F8, str]:
    if setting.cap is not None:
        return np.minimum(own, setting.cap), f"at most {setting.cap:.0%}"
    if setting.set is not None:
        return np.full(len(own), setting.set), f"{setting.set:.0%}"
    if setting.scale is not None:
        return np.clip(own * setting.scale, 0.0, 1.0), f"{setting.scale:.0%} of the file's"
    add = float(setting.add or 0.0)
    return np.clip(own + add, 0.0, 1.0), f"{add:+.0%}"


def _bridging(draft: Draft, rows: slice) -> Bool:
    """Rows of bridge and overhang beads and the travels to them, so that the fan turns before the bead."""
    feature = draft.plate.beads.feature[rows]
    count = len(feature)
    following = np.where(feature != 0, np.arange(count), count)
    following = np.minimum.accumulate(following[::-1])[::-1]
    after = draft.plate.beads.feature[rows.stop : rows.stop + 1]
    result: Bool = np.isin(np.append(feature, after[:1] if len(after) else 0)[following], BRIDGES)
    return result
