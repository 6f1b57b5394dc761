"""`flow`: more (or less) plastic per length for the beads of a region."""

from __future__ import annotations

import numpy as np

from gcodetools.edit.draft import Draft
from gcodetools.kit.settings import Flow
from gcodetools.toolpath.beads import FEATURE_INDEX
from gcodetools.treat.target import Done, Target, claim, new_beads, over_words, overlap_note

__all__ = ["treat"]


def treat(draft: Draft, target: Target, setting: Flow) -> list[Done]:
    """Scale E. The outermost perimeter keeps its flow unless `outer` says otherwise. New beads are laid with that flow
    already, and counted."""
    pieces = target.pieces
    if not setting.outer:
        pieces = pieces[draft.plate.beads.feature[target.rows] != FEATURE_INDEX["outermost"]]
    asked = f"{setting.scale:.0%}" + (" with the outermost perimeter" if setting.outer else "")
    free, others = claim(draft, draft.flow, pieces, np.full(len(pieces), setting.scale))
    taken = pieces[free]
    new_mm = float(new_beads(draft, target.name)[0].sum())
    if len(taken) == 0 and new_mm == 0.0:
        why = overlap_note(others) or "only the outermost perimeter lies in it, which keeps its flow"
        return [target.answer("flow", asked, "nothing", why)]
    notes = [overlap_note(others)]
    if setting.outer and setting.scale != 1.0:
        notes.append(_size_note(draft, target, setting.scale))
    done = f"{setting.scale:.0%} {over_words(draft, taken, new_mm)}"
    return [target.answer("flow", asked, done, "; ".join(n for n in notes if n))]


def _size_note(draft: Draft, target: Target, scale: float) -> str:
    """Growth of the outside: the bead's added area spreads to both of its sides at constant height.

    Half of it shows on the outside at most, none at least (the room inside may take all of it); modelled
    from the bead's area, not measured.
    """
    beads, rows = draft.plate.beads, target.rows
    rows = rows[beads.feature[rows] == FEATURE_INDEX["outermost"]]
    if len(rows) == 0:
        return ""
    width, height = float(np.nanmean(beads.width[rows])), float(np.nanmean(beads.height[rows]))
    area = (width - height) * height + np.pi * height**2 / 4
    growth = (scale - 1.0) * area / height / 2
    low, high = sorted((0.0, growth))
    return f"outside moves by {growth:+.3f} mm a side ({low:+.3f} to {high:+.3f}, modelled)"
