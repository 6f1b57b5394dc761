"""`speed`: a slower (or faster) feed for the beads of a region."""

from __future__ import annotations

import numpy as np

from gcodetools.edit.draft import Draft
from gcodetools.kit.settings import Speed
from gcodetools.treat.target import Done, Target, claim, overlap_note

__all__ = ["treat"]


def treat(draft: Draft, target: Target, setting: Speed) -> list[Done]:
    """Scale the feed, or cap it, mm/s. Beads before the file's first F are left alone."""
    own = draft.plate.program.moves.f[draft.row[target.pieces]]
    pieces, own = target.pieces[~np.isnan(own)], own[~np.isnan(own)]
    if setting.scale is not None:
        wanted, asked = own * setting.scale, f"{setting.scale:.0%}"
    else:
        limit = float(setting.max_mm_s or 0.0)
        wanted, asked = np.minimum(own, limit), f"at most {limit:g} mm/s"
    taken, others = claim(draft, draft.feed, pieces, wanted)
    changed = taken[draft.feed[taken] != draft.plate.program.moves.f[draft.row[taken]]]
    if len(changed) == 0:
        why = overlap_note(others) or "its beads are that slow already"
        return [target.answer("speed", asked, "nothing", why)]
    low, high = (f"{feed:.3g}" for feed in (draft.feed[changed].min(), draft.feed[changed].max()))
    span = low if low == high else f"{low} to {high}"
    done = f"{span} mm/s over {draft.length_mm(changed).sum():.0f} mm"
    return [target.answer("speed", asked, done, overlap_note(others))]
