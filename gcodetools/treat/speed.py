"""`speed`: a slower (or faster) feed for the beads of a region."""

from __future__ import annotations

import numpy as np

from gcodetools.edit.draft import Draft
from gcodetools.kit.settings import Speed
from gcodetools.treat.target import Done, Target, claim, new_beads, over_words, overlap_note

__all__ = ["treat"]

_SAME_MM_S = 1e-6


def treat(draft: Draft, target: Target, setting: Speed) -> list[Done]:
    """Scale the feed, or cap it, mm/s. Beads before the file's first F are left alone. New beads are laid so already:
    those that are scaled, or stand at the cap, are counted."""
    pieces, own = target.pieces, draft.plate.program.moves.f[target.rows]
    unknown = np.isnan(own)
    if unknown.any():
        pieces, own = pieces[~unknown], own[~unknown]
    if setting.scale is not None:
        wanted, asked = own * setting.scale, f"{setting.scale:.0%}"
    else:
        limit = float(setting.max_mm_s or 0.0)
        wanted, asked = np.minimum(own, limit), f"at most {limit:g} mm/s"
    free, others = claim(draft, draft.feed, pieces, wanted)
    changes = free & (wanted != own)
    changed = pieces[changes]
    length, feed = new_beads(draft, target.name)
    mine = feed >= 0 if setting.scale is not None else feed >= float(setting.max_mm_s or 0.0) - _SAME_MM_S
    feeds = np.concatenate([wanted[changes], feed[mine]])
    if len(feeds) == 0:
        why = overlap_note(others) or "its beads are that slow already"
        return [target.answer("speed", asked, "nothing", why)]
    low, high = (f"{value:.3g}" for value in (feeds.min(), feeds.max()))
    span = low if low == high else f"{low} to {high}"
    done = f"{span} mm/s {over_words(draft, changed, float(length[mine].sum()))}"
    return [target.answer("speed", asked, done, overlap_note(others))]
