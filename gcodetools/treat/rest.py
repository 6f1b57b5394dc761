"""`rest`: a pause at the layer changes of a region, so that what lies below has cooled and set."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from gcodetools.edit.draft import Draft
from gcodetools.edit.draft import Rest as DraftRest
from gcodetools.kit.settings import Rest
from gcodetools.treat.target import Done, Target

if TYPE_CHECKING:
    from gcodetools.edit.rests import Unrested

__all__ = ["outcome", "treat"]


def treat(draft: Draft, target: Target, setting: Rest) -> list[Done]:
    """Ask for a rest before each layer in which the region occurs; once a layer, however many instances."""
    layer = draft.plate.beads.layer[target.rows]
    run = draft.plate.layers.run
    used = [k for k in np.unique(layer[layer > 0]).tolist() if run[k] == run[k - 1]]
    asked = f"{setting.seconds:g} s a layer"
    have = {r.layer: r for r in draft.rests}
    new = [k for k in used if k not in have]
    draft.rests += [DraftRest(k, setting.seconds, target.name) for k in new]
    if not used:
        return [target.answer("rest", asked, "nothing", "no layer change before its beads")]
    done = f"{setting.seconds:g} s before {len(new)} layers" if new else "nothing"
    why = f"{len(used) - len(new)} layers rest for an earlier region" if len(new) < len(used) else ""
    return [target.answer("rest", asked, done, why)]


def outcome(done: list[Done], draft: Draft, unrested: Sequence[Unrested]) -> list[Done]:
    """The answers once it is known which rests found a place."""
    result = []
    for answer in done:
        name = f"{answer.part}#{answer.instance}/{answer.region}"
        missed = [item for item in unrested if item.region == name]
        asked = [rest for rest in draft.rests if rest.region == name]
        if answer.setting != "rest" or not missed:
            result.append(answer)
            continue
        left = len(asked) - len(missed)
        did = f"{asked[0].seconds:g} s before {left} of {len(asked)} layers" if left else "nothing"
        result.append(replace(answer, done=did, why=missed[0].why, refused=not left))
    return result
