"""`accel`: a lower acceleration for the beads of a region."""

from __future__ import annotations

import numpy as np

from gcodetools.edit.draft import Draft
from gcodetools.kit.settings import Accel
from gcodetools.treat.target import Done, Target, claim, overlap_note

__all__ = ["treat"]


def treat(draft: Draft, target: Target, setting: Accel) -> list[Done]:
    """Cap the acceleration, mm/s2. Where the file never sets one there is nothing to return to: refused."""
    program = draft.plate.program
    line = program.moves.line[target.rows]
    own = program.states.accel.at(line)
    asked = f"at most {setting.max_mm_s2:g} mm/s2"
    unknown = np.isnan(own)
    if unknown.all():
        why = "the file sets no acceleration before these beads, so there is none to return to"
        return [target.answer("accel", asked, "nothing", why, refused=True)]
    pieces = target.pieces
    if unknown.any():
        pieces, own = pieces[~unknown], own[~unknown]
    free, others = claim(draft, draft.accel, pieces, np.minimum(own, setting.max_mm_s2))
    taken = pieces[free]
    if len(taken) == 0 or np.all(own <= setting.max_mm_s2):
        why = overlap_note(others) or "the file's own acceleration is that low already"
        return [target.answer("accel", asked, "nothing", why)]
    done = f"{setting.max_mm_s2:g} mm/s2 over {draft.length_mm(taken).sum():.0f} mm"
    return [target.answer("accel", asked, done, overlap_note(others))]
