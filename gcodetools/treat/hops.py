"""Ways that removals and new beads leave behind: from where the nozzle stands to where the file goes on."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

from gcodetools.edit.displaced import displaced
from gcodetools.edit.draft import Draft
from gcodetools.toolpath.coasts import coasts_of
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
        here, there = found.here[k], found.there[k]
        ground, site, last = grounds.before(row)
        coasted = coasts_of(draft.plate).end_of(last)
        since = int(found.since[k])
        # A move of the file that stays has left what stood there: back there is no place for a way.
        left = since >= 0 and int(draft.row[since]) > coasted
        if left:
            ground, site, last = grounds.own(row) or (ground, site, last)
        layer, own = int(draft.plate.beads.layer[last]), int(draft.plate.beads.layer[row])
        # On the next layer other outlines count: go back before the file leaves this one.
        early = layer != own and not left
        goal = there
        pulled = bool(found.pulled[k])
        if found.free[k]:
            crosses = ground is not None and not pulled and not ground.inside(here, found.end[k])
            if ground is None or not crosses or not ground.inside(there, found.end[k]):
                continue
            goal = there if early else found.end[k]
        if early and site is not None:
            # Right behind the last bead nothing is pulled back yet.
            ground, pulled = grounds.shared(site, own), False
        way = ground.way(here, goal) if ground is not None and not pulled else _straight(goal)
        if way.leaves and site is not None:
            site.pulls += 1
        columns = MovesColumns(float(moves.z[last if early else max(row - 1, 0)]))
        way_moves(columns, way, here, here, style_at(draft.plate, layer))
        if columns.kind:
            at = (coasted + 1, 0.0, True) if early else (row, float(draft.t0[piece]), False)
            hops.append(columns.run(*at, 0.0, ""))
    draft.runs += hops
    draft.runs.sort(key=lambda run: (run.row, run.t0, not run.early))


def _straight(there: F8) -> Way:
    return Way(there.reshape(1, 2), False)


class _Grounds:
    """The ground of the site that a row belongs to."""

    def __init__(self, draft: Draft, sites: list[Sites]) -> None:
        self._sites = [(site, group) for group in sites for _, site in group.all() if site.laid]
        self._made: dict[int, Ground] = {}
        self._group = {id(site): group for site, group in self._sites}
        rows = [np.concatenate([site.room.wall_rows, site.room.fill_rows]) for site, _ in self._sites]
        owner = np.repeat(np.arange(len(rows)), [len(r) for r in rows])
        flat = np.concatenate(rows) if rows else np.empty(0, np.int64)
        order = np.argsort(flat, kind="stable")
        self._rows, self._owner = flat[order], owner[order]

    def before(self, row: int) -> tuple[Ground | None, Site | None, int]:
        """Ground and site of the last of their beads before a row, and that bead's row: what was removed or
        laid stands there."""
        at = int(np.searchsorted(self._rows, row)) - 1
        if at < 0:
            return None, None, max(row - 1, 0)
        n = int(self._owner[at])
        site, group = self._sites[n]
        if n not in self._made:
            self._made[n] = ground_of(site.room.island.polygon, group.gauge.width_mm)
        return self._made[n], site, int(self._rows[at])

    def own(self, row: int) -> tuple[Ground | None, Site | None, int] | None:
        """The same of a bead's own site and row; None where the row is none of a site's."""
        at = int(np.searchsorted(self._rows, row))
        return self.before(row + 1) if at < len(self._rows) and self._rows[at] == row else None

    def shared(self, site: Site, layer: int) -> Ground:
        """What a site and a layer of its instance have in common: a file without marks tells neither from the
        other."""
        group = self._group[id(site)]
        above = shapely.union_all([other.room.island.polygon for other in group.at(layer)])
        return ground_of(shapely.intersection(site.room.island.polygon, above), group.gauge.width_mm)
