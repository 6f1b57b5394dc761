"""Ways that removals and new beads leave behind: from where the nozzle stands to where the file goes on."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.displaced import displaced
from gcodetools.edit.draft import Draft
from gcodetools.toolpath.style import style_at
from gcodetools.treat.laying import MovesColumns, way_moves
from gcodetools.treat.links import Ground, Way, ground_of
from gcodetools.treat.sites import Site, Sites

__all__ = ["add_hops"]

F8 = NDArray[np.float64]


def add_hops(draft: Draft, sites: list[Sites]) -> None:
    """Add runs that bring the nozzle to where a piece begins, where the file's own moves don't.

    A travel of the file that names both X and Y begins where the new beads end, unless that would cross an
    outline which it did not cross before.
    """
    found = displaced(draft)
    if len(found.piece) == 0:
        return
    grounds = _Grounds(draft, sites)
    moves = draft.plate.program.moves
    hops = []
    for k in range(len(found.piece)):
        piece = int(found.piece[k])
        row = int(draft.row[piece])
        since = int(draft.row[found.since[k]]) if found.since[k] >= 0 else row
        here, there = found.here[k], found.there[k]
        ground, site = grounds.of(since)
        if found.free[k]:
            crosses = ground is not None and not found.pulled[k] and not ground.inside(here, found.end[k])
            if ground is None or not crosses or not ground.inside(there, found.end[k]):
                continue
        way = ground.way(here, there) if ground is not None and not found.pulled[k] else _straight(there)
        if way.leaves and site is not None:
            site.pulls += 1
        columns = MovesColumns(float(moves.z[max(row - 1, 0)]))
        layer = int(draft.plate.beads.layer[since])
        way_moves(columns, way, here, here, style_at(draft.plate, layer))
        if columns.kind:
            hops.append(columns.run(row, float(draft.t0[piece]), False, 0.0, ""))
    draft.runs += hops
    draft.runs.sort(key=lambda run: (run.row, run.t0, not run.early))


def _straight(there: F8) -> Way:
    return Way(there.reshape(1, 2), False)


class _Grounds:
    """The ground of the site that a row belongs to."""

    def __init__(self, draft: Draft, sites: list[Sites]) -> None:
        known = [
            (site.room, site, group.gauge.width_mm) for group in sites for _, site in group.all() if site.laid
        ]
        self._made: dict[int, Ground] = {}
        self._sites = [(site, width) for _, site, width in known]
        rows = [np.concatenate([room.wall_rows, room.fill_rows]) for room, _, _ in known]
        owner = np.repeat(np.arange(len(rows)), [len(r) for r in rows])
        flat = np.concatenate(rows) if rows else np.empty(0, np.int64)
        order = np.argsort(flat, kind="stable")
        self._rows, self._owner = flat[order], owner[order]

    def of(self, row: int) -> tuple[Ground | None, Site | None]:
        """Ground and site at a row; None where the row belongs to no site."""
        at = int(np.searchsorted(self._rows, row))
        if at >= len(self._rows) or self._rows[at] != row:
            return None, None
        n = int(self._owner[at])
        site, width = self._sites[n]
        if n not in self._made:
            self._made[n] = ground_of(site.room.island.polygon, width)
        return self._made[n], site
